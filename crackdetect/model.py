"""Model files: data, never code. JSON with base64 arrays, a digest, and golden rows checked on load."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import stat
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from crackdetect.blocks import Floats
from crackdetect.deciding.adaptation import AdaptationModel
from crackdetect.deciding.context import ContextModel
from crackdetect.deciding.own_machine import OwnMachineModel
from crackdetect.deciding.score_model import ScoreModel
from crackdetect.errors import ModelError
from crackdetect.hearing import features
from crackdetect.hearing.classifier import CLASSES, Classifier, ClassifierModel
from crackdetect.hearing.network import Network

FORMAT = "crackdetect-model"
FORMAT_VERSION = 8
SHIPPED = "first-crack.json"
_GOLDEN_TOLERANCE = 1e-3
_MAX_BYTES = 4_000_000
_ADVICE = "reinstall crackdetect, or train the model again with 'crackdetect train'"


@dataclass(frozen=True, slots=True)
class Taught:
    """A machine that a model knows from its roasts.

    Attributes
    ----------
    machine : str
        As the person calls it.
    digest : str
        Of what is known.
    roasts : int
        That it was learnt from.
    """

    machine: str
    digest: str
    roasts: int


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """All that was learnt in training.

    Attributes
    ----------
    name, digest : str
        Identity; the digest covers everything in the file, and is empty before it was written.
    classifier : ClassifierModel
        What a candidate sounds like.
    score_model : ScoreModel
        How the classifier's scores are distributed.
    context : ContextModel
        What a score is worth in what was heard around it.
    own_machine : OwnMachineModel or None
        How to learn the machine at hand; None while it is not taught yet.
    taught : Taught or None
        Whose machine it knows already; no part of the file.
    """

    name: str
    digest: str
    classifier: ClassifierModel
    score_model: ScoreModel
    context: ContextModel
    own_machine: OwnMachineModel | None = None
    taught: Taught | None = None


def data_folder(name: str) -> Path:
    """The folder ``models`` or ``recordings_synthetic``: inside the installed package, else the repository's."""
    installed = Path(str(resources.files("crackdetect"))) / "_data" / name
    if installed.is_dir():
        return installed
    return Path(__file__).resolve().parent.parent / name


def encode(array: npt.NDArray[Any]) -> dict[str, Any]:
    """An array as JSON: shape, and its float32 or float64 values, little-endian, in base64."""
    plain = np.ascontiguousarray(array, dtype="<f4" if array.dtype == np.float32 else "<f8")
    return {
        "shape": list(plain.shape),
        "dtype": plain.dtype.str,
        "base64": base64.b64encode(plain.tobytes()).decode("ascii"),
    }


def decode(entry: Any) -> npt.NDArray[Any]:
    """What :func:`encode` made. Raises ModelError on anything else."""
    try:
        dtype, shape = entry["dtype"], tuple(int(n) for n in entry["shape"])
        if dtype not in ("<f4", "<f8") or len(shape) > 3 or any(n < 0 or n > 100_000 for n in shape):
            raise ValueError
        raw = base64.b64decode(entry["base64"], validate=True)
        array = np.frombuffer(raw, dtype=dtype).reshape(shape)
    except (KeyError, TypeError, ValueError, binascii.Error, OverflowError):
        raise ModelError(f"the model file holds an array that cannot be read; {_ADVICE}") from None
    return array.astype(np.float32 if dtype == "<f4" else np.float64)


def _encode_network(network: Network) -> dict[str, Any]:
    return {
        "mean": encode(network.mean),
        "scale": encode(network.scale),
        "weights": [encode(weight) for weight in network.weights],
        "biases": [encode(bias) for bias in network.biases],
    }


def _decode_network(entry: Any, dtype: type[np.floating[Any]]) -> Network:
    layers = (tuple(decode(array).astype(dtype) for array in entry[part]) for part in ("weights", "biases"))
    return Network(decode(entry["mean"]).astype(dtype), decode(entry["scale"]).astype(dtype), *layers)


def digest_of(content: dict[str, Any]) -> str:
    """SHA-256 over everything but the digest itself, in a fixed order, first 16 hexadecimal digits."""
    rest = {key: value for key, value in content.items() if key != "digest"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:16]


def hearing_digest(model: Model) -> str:
    """Of all that decides what is heard before the machine at hand is learnt: the same for the same numbers."""
    networks = model.classifier.network, model.context.crack, model.context.alone
    return digest_of(
        {
            "networks": [_encode_network(network) for network in networks],
            "prior": encode(model.classifier.prior),
            "score_model": model.score_model.as_lists(),
            "cracks_per_second": model.context.cracks_per_second,
        }
    )


def save(path: Path, model: Model, *, golden: Floats, card: dict[str, Any]) -> Model:
    """Writes a model file and reads it back.

    Parameters
    ----------
    golden : float32, shape (n, features.COUNT)
        Feature vectors whose answers are stored with the model and checked on load.
    card
        What it was taught on: plain JSON.
    """
    context = model.context
    content: dict[str, Any] = {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "name": model.name,
        "features": list(features.NAMES),
        "classifier": {"network": _encode_network(model.classifier.network), "prior": encode(model.classifier.prior)},
        "score_model": model.score_model.as_lists(),
        "context": {
            "crack": _encode_network(context.crack),
            "alone": _encode_network(context.alone),
            "cracks_per_second": context.cracks_per_second,
            "counted": context.counted,
            "counted_cv": context.counted_cv,
        },
        "own_machine": None if model.own_machine is None else _encode_own_machine(model.own_machine),
        "card": card,
        "golden_rows": encode(golden),
        "golden_logits": encode(Classifier(model.classifier).logits(golden)),
    }
    content["digest"] = digest_of(content)
    path.write_text(json.dumps(content, indent=1, ensure_ascii=True) + "\n", encoding="ascii")
    return load(path)


def load(path: Path, *, own_machine: bool = True) -> Model:
    """Reads, checks and returns a model. Raises ModelError in one sentence when it does not fit in any way.

    own_machine: False to leave out what learns the machine at hand, which then need not fit: it is taught anew.
    """
    content = _checked(path)
    if content.get("format_version") != FORMAT_VERSION:
        raise ModelError(
            f"model file {path} is of format version {content.get('format_version')!r:.40}, this program reads "
            f"{FORMAT_VERSION}; {_ADVICE}"
        )
    classifier = _classifier(path, content)
    try:
        name, lists = str(content["name"])[:80], content["score_model"]
        context, own = _context(content["context"]), content["own_machine"]
        if not own_machine:
            own = None
        learns = None if own is None else _own_machine(own, points=classifier.network.hidden + 1)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        raise ModelError(f"the model file is incomplete; {_ADVICE}") from None
    return Model(name, content["digest"], classifier, ScoreModel.from_lists(lists), context, learns)


def load_classifier(path: Path) -> tuple[ClassifierModel, dict[str, Any]]:
    """The classifier alone and the card of the model, with its digest, for teaching what follows the classifier anew.

    What follows it in the file need not fit this version. Raises ModelError.
    """
    content = _checked(path)
    return _classifier(path, content), {**_card(path, content), "digest": content["digest"]}


def golden_of(path: Path) -> Floats:
    """The rows that a model is checked by, float32 (n, features.COUNT). Raises ModelError."""
    return decode(_checked(path).get("golden_rows")).astype(np.float32)


def card_of(path: Path) -> dict[str, Any]:
    """The model's card: what it was trained on, seed, versions, scores. Raises ModelError."""
    return _card(path, _checked(path))


def _card(path: Path, content: dict[str, Any]) -> dict[str, Any]:
    card = content.get("card")
    if not isinstance(card, dict):
        raise ModelError(f"model file {path} has no card that says what it was trained on; {_ADVICE}")
    return card


def _checked(path: Path) -> dict[str, Any]:
    """The content of a file that is a model of some version and has not been changed."""
    try:
        content = json.loads(_read(path).decode("utf-8"))
        digest = digest_of(content) if isinstance(content, dict) else ""
    except (ValueError, RecursionError):
        raise ModelError(f"model file {path} is not a model: it is damaged or something else; {_ADVICE}") from None
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise ModelError(f"file {path} is not a crackdetect model; {_ADVICE}")
    if content.get("digest") != digest:
        raise ModelError(f"model file {path} was changed or damaged (its digest does not match); {_ADVICE}")
    return content


def _read(path: Path) -> bytes:
    """No more than a model can be, and not from what never ends or makes one wait."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise ModelError(f"model file {path} is not an ordinary file and cannot be read; name a model file")
        with path.open("rb") as file:
            content = file.read(_MAX_BYTES + 1)
    except OSError as error:
        raise ModelError(f"model file {path} cannot be read ({error.strerror}); {_ADVICE}") from None
    if len(content) > _MAX_BYTES:
        raise ModelError(f"model file {path} is over 4 MB, which no model of ours is; {_ADVICE}")
    return content


@np.errstate(all="ignore")  # absurd numbers overflow here, and are refused below
def _classifier(path: Path, content: dict[str, Any]) -> ClassifierModel:
    """The classifier of a file, which must give the answers that were stored with it."""
    if content.get("features") != list(features.NAMES):
        raise ModelError(f"the model was trained on other features than this version computes; {_ADVICE}")
    try:
        entry = content["classifier"]
        prior = decode(entry["prior"]).astype(np.float64)
        model = ClassifierModel(_decode_network(entry["network"], np.float32), prior)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        raise ModelError(f"the model file is incomplete; {_ADVICE}") from None
    rows, expected = decode(content.get("golden_rows")), decode(content.get("golden_logits"))
    if rows.shape[1:] != (features.COUNT,) or expected.shape != (len(rows), len(CLASSES)) or len(rows) == 0:
        raise ModelError(f"model file {path} has no golden rows to check it by; {_ADVICE}")
    got = Classifier(model).logits(rows.astype(np.float32))
    if not (np.isfinite(got).all() and np.allclose(got, expected, rtol=0, atol=_GOLDEN_TOLERANCE)):
        raise ModelError(f"model file {path} does not give the answers it was shipped with; {_ADVICE}")
    return model


def _context(entry: Any) -> ContextModel:
    crack, alone = (_decode_network(entry[which], np.float64) for which in ("crack", "alone"))
    return ContextModel(crack, alone, *(float(entry[key]) for key in ("cracks_per_second", "counted", "counted_cv")))


_NUMBERS = ("cracks_per_second", "counted", "counted_cv")
_ADAPTATION = ("mean", "sd", "machine_mean", "machine_cov", "crack_means", "crack_cov")


def _encode_own_machine(model: OwnMachineModel) -> dict[str, Any]:
    adaptation = {key: encode(getattr(model.adaptation, key).astype(np.float32)) for key in _ADAPTATION}
    networks = {which: _encode_network(getattr(model, which)) for which in ("relative", "crack", "begun")}
    numbers = {key: getattr(model, key) for key in _NUMBERS}
    return {"adaptation": adaptation, **networks, **numbers}


def _own_machine(entry: Any, *, points: int) -> OwnMachineModel:
    adaptation = AdaptationModel(*(decode(entry["adaptation"][key]).astype(np.float64) for key in _ADAPTATION))
    if len(adaptation.machine_mean) != points:
        raise ModelError(f"the average machine is that of another classifier; {_ADVICE}")
    relative = _decode_network(entry["relative"], np.float32)
    crack, begun = (_decode_network(entry[which], np.float64) for which in ("crack", "begun"))
    per_second, counted, counted_cv = (float(entry[key]) for key in _NUMBERS)
    return OwnMachineModel(adaptation, relative, crack, begun, per_second, counted, counted_cv)


@lru_cache(maxsize=1)
def shipped() -> Model:
    """The model that comes with the program."""
    return load(data_folder("models") / SHIPPED)


def load_model(path: str | Path | None = None) -> Model:
    """The model in a file, or the one that comes with the program. Raises ModelError."""
    return shipped() if path is None else load(Path(path))
