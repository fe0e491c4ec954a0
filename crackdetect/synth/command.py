"""Renders plans into recordings with their truth beside them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Literal

from crackdetect.errors import OutputError
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

    progress: called with the seconds just written. Raises OutputError when something cannot be written; the
    unfinished recording is removed, finished ones are kept.
    """
    import soundfile

    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"folder {folder} cannot be made ({error.strerror}); choose another with --out") from None
    for name, plan in plans:
        path = folder / f"{name}.{container}"
        renderer = Renderer(plan)
        subtype = _SUBTYPES.get(plan.bits, "FLOAT" if container == "wav" else "PCM_24")
        try:
            with soundfile.SoundFile(
                path, "w", plan.samplerate, 1, subtype, format="FLAC" if container == "flac" else "WAV"
            ) as file:
                for block in renderer.blocks():
                    file.write(block)
                    if progress is not None:
                        progress(len(block) / plan.samplerate)
            path.with_suffix(".json").write_text(renderer.truth.to_json() + "\n", encoding="utf-8")
        except (OSError, RuntimeError) as error:
            path.unlink(missing_ok=True)
            path.with_suffix(".json").unlink(missing_ok=True)
            reason = getattr(error, "strerror", None) or str(error)
            raise OutputError(f"{path} cannot be written ({reason}); free some space or choose another --out") from None
        written.append(path)
    return written
