"""Model files: data, never code. JSON with base64 arrays, a digest, and golden rows checked on load."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import stat
from dataclasses import fields
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from crackdetect import features
from crackdetect.classify import Classifier, Model
from crackdetect.errors import ModelError
from crackdetect.judge import JudgeModel, Network
from crackdetect.phase import ScoreModel

FORMAT = "crackdetect-model"
FORMAT_VERSION = 6
SHIPPED = "first-crack.json"
_GOLDEN_TOLERANCE = 1e-3
_MAX_BYTES = 4_000_000
_ADVICE = "reinstall crackdetect, or train the model again with 'crackdetect train'"


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


def _decode(entry: Any) -> npt.NDArray[Any]:
    try:
        dtype, shape = entry["dtype"], tuple(int(n) for n in entry["shape"])
        if dtype not in ("<f4", "<f8") or len(shape) > 2 or any(n < 0 or n > 100_000 for n in shape):
            raise ValueError
        raw = base64.b64decode(entry["base64"], validate=True)
        array = np.frombuffer(raw, dtype=dtype).reshape(shape)
    except (KeyError, TypeError, ValueError, binascii.Error, OverflowError):
        raise ModelError(f"the model file holds an array that cannot be read; {_ADVICE}") from None
    return array.astype(np.float32 if dtype == "<f4" else np.float64)


def _encode_network(network: Network) -> dict[str, Any]:
    return {part.name: encode(getattr(network, part.name)) for part in fields(Network)}


def _decode_network(entry: Any) -> Network:
    return Network(**{part.name: _decode(entry[part.name]).astype(np.float64) for part in fields(Network)})


def _judge(entry: Any) -> JudgeModel:
    crack, alone = (_decode_network(entry[which]) for which in ("crack", "alone"))
    return JudgeModel(crack, alone, *(float(entry[key]) for key in ("cracks_per_second", "counted", "counted_cv")))


def digest_of(content: dict[str, Any]) -> str:
    """SHA-256 over everything but the digest itself, in a fixed order, first 16 hexadecimal digits."""
    rest = {key: value for key, value in content.items() if key != "digest"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:16]


def save(
    path: Path,
    *,
    name: str,
    mean: npt.NDArray[np.float32],
    scale: npt.NDArray[np.float32],
    weights: list[npt.NDArray[np.float32]],
    biases: list[npt.NDArray[np.float32]],
    prior: npt.NDArray[np.float64],
    marks: dict[str, list[float]],
    judge: JudgeModel,
    golden: npt.NDArray[np.float32],
    card: dict[str, Any],
) -> Model:
    """Writes a model file and reads it back. golden: feature vectors (n, COUNT) whose answers are stored with it."""
    content: dict[str, Any] = {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "name": name,
        "features": list(features.NAMES),
        "mean": encode(mean),
        "scale": encode(scale),
        "weights": [encode(w) for w in weights],
        "biases": [encode(b) for b in biases],
        "prior": encode(prior),
        "marks": marks,
        "judge": {
            "crack": _encode_network(judge.crack),
            "alone": _encode_network(judge.alone),
            "cracks_per_second": judge.cracks_per_second,
            "counted": judge.counted,
            "counted_cv": judge.counted_cv,
        },
        "card": card,
    }
    model = _build(content, digest="")
    classifier = Classifier(model)
    content["golden_rows"] = encode(golden)
    content["golden_logits"] = encode(np.array([classifier.logits(row) for row in golden]))
    content["digest"] = digest_of(content)
    path.write_text(json.dumps(content, indent=1, ensure_ascii=True) + "\n", encoding="ascii")
    return load(path)


def load(path: Path) -> Model:
    """Reads, checks and returns a model. Raises ModelError in one sentence when it does not fit in any way."""
    return _checked(path)[0]


def load_classifier(path: Path, *, judge: JudgeModel) -> tuple[Model, dict[str, Any]]:
    """A model with another judge in place of its own, and its card; for teaching what follows the classifier anew.

    Its format may be of another version, and how its scores are distributed may not fit this one. Raises ModelError.
    """
    model, content = _checked(path, judge=judge)
    return model, _card(path, content)


def card_of(path: Path) -> dict[str, Any]:
    """The model's card: what it was trained on, seed, versions, scores. Raises ModelError."""
    return _card(path, _checked(path)[1])


def _card(path: Path, content: dict[str, Any]) -> dict[str, Any]:
    card = content.get("card")
    if not isinstance(card, dict):
        raise ModelError(f"model file {path} has no card that says what it was trained on; {_ADVICE}")
    return card


def _checked(path: Path, *, judge: JudgeModel | None = None) -> tuple[Model, dict[str, Any]]:
    """judge: in place of the one in the file, whose version does not matter then."""
    try:
        content = json.loads(_read(path).decode("utf-8"))
        digest = digest_of(content) if isinstance(content, dict) else ""
    except (ValueError, RecursionError):
        raise ModelError(f"model file {path} is not a model: it is damaged or something else; {_ADVICE}") from None
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise ModelError(f"file {path} is not a crackdetect model; {_ADVICE}")
    if content.get("format_version") != FORMAT_VERSION and judge is None:
        raise ModelError(
            f"model file {path} is of format version {content.get('format_version')!r:.40}, this program reads "
            f"{FORMAT_VERSION}; {_ADVICE}"
        )
    if content.get("digest") != digest:
        raise ModelError(f"model file {path} was changed or damaged (its digest does not match); {_ADVICE}")
    # absurd numbers overflow on the golden rows, which then refuse them: no warning is needed on top
    with np.errstate(all="ignore"):
        model = _build(content, digest=digest, replaced=judge)
        _check_golden(path, model, content)
    return model, content


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


def _check_golden(path: Path, model: Model, content: dict[str, Any]) -> None:
    rows, expected = _decode(content.get("golden_rows")), _decode(content.get("golden_logits"))
    if rows.ndim != 2 or rows.shape[1] != features.COUNT or expected.shape != (len(rows), 3) or len(rows) == 0:
        raise ModelError(f"model file {path} has no golden rows to check it by; {_ADVICE}")
    classifier = Classifier(model)
    got = np.array([classifier.logits(row) for row in rows.astype(np.float32)])
    if not (np.isfinite(got).all() and np.allclose(got, expected, rtol=0, atol=_GOLDEN_TOLERANCE)):
        raise ModelError(f"model file {path} does not give the answers it was shipped with; {_ADVICE}")


@lru_cache(maxsize=1)
def shipped() -> Model:
    """The model that comes with the program."""
    return load(data_folder("models") / SHIPPED)


def _build(content: dict[str, Any], *, digest: str, replaced: JudgeModel | None = None) -> Model:
    """replaced: a judge in place of the file's own; then its marks are not to be used either."""
    if content.get("features") != list(features.NAMES):
        raise ModelError(f"the model was trained on other features than this version computes; {_ADVICE}")
    try:
        weights = tuple(_decode(w) for w in content["weights"])
        biases = tuple(_decode(b) for b in content["biases"])
        marks = {str(key): [float(v) for v in values] for key, values in content["marks"].items()}
        name = str(content["name"])[:80]
        mean, scale, prior = (_decode(content[key]) for key in ("mean", "scale", "prior"))
        judge = replaced or _judge(content["judge"])
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        raise ModelError(f"the model file is incomplete; {_ADVICE}") from None
    if not 1 <= len(weights) <= 4 or any(w.ndim != 2 for w in weights) or any(b.ndim != 1 for b in biases):
        raise ModelError(f"the model file's layers do not fit together; {_ADVICE}")
    if prior.shape != (3,) or not (prior > 0).all():
        raise ModelError(f"the model file's class shares are not probabilities; {_ADVICE}")
    if len(biases) != len(weights):
        raise ModelError(f"the model file's layers do not fit together; {_ADVICE}")
    model = Model(name, digest, mean, scale, weights, biases, prior.astype(np.float64), marks, judge)
    if replaced is None:
        ScoreModel.from_marks(marks)
    return model
