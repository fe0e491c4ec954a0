"""Synthetic roasts as files: the recording, and its truth beside it."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Literal

from crackdetect.errors import OutputError, SettingError
from crackdetect.synth.plan import RoastPlan
from crackdetect.synth.render import Renderer

_SUBTYPES = {16: "PCM_16", 24: "PCM_24"}


def render_to_files(
    plans: Sequence[tuple[str, RoastPlan]],
    folder: Path,
    *,
    container: Literal["flac", "wav"] = "flac",
    progress: Callable[[float], None] | None = None,
) -> list[Path]:
    """Writes NAME.flac (or .wav) and NAME.json (the truth) for each plan, a second at a time.

    An unfinished recording is removed, be it by an error or an interrupt; finished ones are kept, and so is an older
    recording of the same name.

    Parameters
    ----------
    plans
        Name and plan of each recording.
    folder
        Where to; made if missing.
    progress
        Takes the seconds written so far, of all recordings together.

    Returns
    -------
    list of Path
        The recordings, in the order of the plans.

    Raises
    ------
    SettingError
        On a name that is not a plain file name; then nothing is written.
    OutputError
        When something cannot be written.
    """
    for name, _ in plans:
        if not name.strip(". ") or Path(name).name != name or set(name) & set('/\\:*?"<>|\0'):
            raise SettingError(
                f"name {name!r} is not a plain file name; give one without folders, and the folder apart"
            )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"folder {folder} cannot be made ({error.strerror}); choose another with --out") from None
    written: list[Path] = []
    done_s = 0.0

    def advance(seconds: float) -> None:
        nonlocal done_s
        done_s += seconds
        if progress is not None:
            progress(done_s)

    for name, plan in plans:
        # not with_suffix: a name may hold a dot
        path, truth = folder / f"{name}.{container}", folder / f"{name}.json"
        _write(plan, path, truth, container=container, progress=advance)
        written.append(path)
    return written


def _write(plan: RoastPlan, path: Path, truth: Path, *, container: str, progress: Callable[[float], None]) -> None:
    """Both files or none. progress: takes the seconds just written. Raises OutputError."""
    unfinished = [place.with_name(f"{place.name}.part") for place in (path, truth)]
    try:
        _render(plan, *unfinished, container=container, progress=progress)
        for part, final in zip(unfinished, (path, truth), strict=True):
            part.replace(final)
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or str(error).rstrip(".")
        raise OutputError(f"{path} cannot be written ({reason}); free some space or choose another --out") from None
    finally:
        for part in unfinished:
            with contextlib.suppress(OSError):  # the first error is the one to tell
                part.unlink(missing_ok=True)


def _render(plan: RoastPlan, sound: Path, truth: Path, *, container: str, progress: Callable[[float], None]) -> None:
    """progress: takes the seconds just written."""
    import soundfile

    renderer = Renderer(plan)
    subtype = _SUBTYPES.get(plan.bits, "FLOAT" if container == "wav" else "PCM_24")
    with soundfile.SoundFile(sound, "w", plan.samplerate, 1, subtype, format=container.upper()) as file:
        for block in renderer.blocks():
            file.write(block)
            progress(len(block) / plan.samplerate)
    truth.write_text(renderer.truth.to_json() + "\n", encoding="utf-8")
