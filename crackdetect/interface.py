"""The Python interface: a recording, an array or a stream in, what was heard of the roast out.

All of it is the one path (``pipeline``); nothing here hears or decides. The names that ``import crackdetect`` offers
are listed in ``crackdetect/__init__.py``.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from crackdetect.audio.arrays import ArraySource, as_float32
from crackdetect.audio.files import open_recording
from crackdetect.audio.recording_notes import Recording, closing_notes, opening_notes, why_inaudible
from crackdetect.blocks import Block, Samples, Source, SourceKind
from crackdetect.config import About, Sensitivity, Settings, Target, parse_time
from crackdetect.errors import InputError, MissingPartError, SettingError, require
from crackdetect.events import Event
from crackdetect.model import Model, load_model
from crackdetect.notation import clock
from crackdetect.pipeline import Pipeline
from crackdetect.roast.record import Roast, RoastRecord
from crackdetect.roast.state import RoastState
from crackdetect.roast.statements import Statement

if TYPE_CHECKING:
    import pandas
    from matplotlib.axes import Axes

    from crackdetect.evaluate.scoring import Score
    from crackdetect.synth.truth import Truth

#: Fields of :attr:`Analysis.cracks` and :attr:`Analysis.density`.
CRACK = np.dtype([("at", "f8"), ("probability", "f8"), ("kind", "U6"), ("snr_db", "f8")])
DENSITY = np.dtype([("at", "f8"), ("per_minute", "f8"), ("low", "f8"), ("high", "f8")])


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment of the roast. Times are seconds from the first sample.

    Attributes
    ----------
    at : float
        When it was.
    earliest, latest : float or None
        The 90 % interval of ``at``, where it was heard.
    announced_at : float or None
        When it could first be said, where it was heard; ``announced_at - at`` is the latency.
    how : {"heard", "given", "key"}
        Heard; given beforehand; marked by a person at the roaster.
    """

    at: float
    earliest: float | None
    latest: float | None
    announced_at: float | None
    how: Literal["heard", "given", "key"]


class Analysis:
    """What was said of one roast. Times are seconds from the first sample of the recording.

    Parameters
    ----------
    events : iterable of Event
        Of one roast, in order, ``roast.start`` first; of a finished one the ``summary`` is the last.
    notes : sequence of str
        Sentences worth telling of the recording.

    Raises
    ------
    InputError
        When the events are not those of one roast.
    """

    def __init__(self, events: Iterable[Event], *, notes: Sequence[str] = ()) -> None:
        self.events: tuple[Event, ...] = tuple(events)
        self.notes: tuple[str, ...] = tuple(notes)
        self._state = RoastState.of(self.events, whole=True)

    @property
    def name(self) -> str:
        """Identity of the roast, as its events carry it."""
        return self._state.roast

    @property
    def samplerate(self) -> int:
        """Hz of what was heard."""
        return self._state.samplerate

    @property
    def duration_s(self) -> float:
        """Seconds from the first sample to the last moment at which anything was said."""
        return self._state.until

    @property
    def charge(self) -> Moment | None:
        """When the beans went in; None where that is not known."""
        return _moment(self._state.charge)

    @property
    def first_crack(self) -> Moment | None:
        """When first crack began, dated by all that was heard; None where it was not announced."""
        return _moment(self._state.first_crack)

    @property
    def first_crack_end(self) -> Moment | None:
        """When first crack was over."""
        return _moment(self._state.first_crack_end)

    @property
    def second_crack(self) -> Moment | None:
        """When second crack began."""
        return _moment(self._state.second_crack)

    @property
    def drop(self) -> Moment | None:
        """When the beans were dropped."""
        return _moment(self._state.drop)

    @cached_property
    def cracks(self) -> npt.NDArray[np.void]:
        """Every crack that was told, a structured array of shape (n,).

        Fields: ``at`` (s), ``probability`` (0 to 1), ``kind`` (``first`` or ``second``), ``snr_db`` (peak of the crack
        over the noise, dB).
        """
        cracks = self._state.series.cracks
        return np.array([(c.at_s, c.probability, c.kind, c.snr_db) for c in cracks], CRACK)

    @cached_property
    def density(self) -> npt.NDArray[np.void]:
        """The density of cracks second by second, a structured array of shape (n,).

        Fields: ``at`` (s), ``per_minute`` with the ends of its 90 % interval ``low`` and ``high`` (cracks a minute).
        """
        return np.array([tuple(density) for density in self._state.series.density], DENSITY)

    @property
    def summary(self) -> dict[str, Any]:
        """Fields of the ``summary`` event; empty where the roast is not finished."""
        last = self.events[-1]
        return dict(last.fields) if last.type == "summary" else {}

    def to_dict(self) -> dict[str, Any]:
        """The roast as plain values that JSON takes, without the single events."""
        moments = ("charge", "first_crack", "first_crack_end", "second_crack", "drop")
        return {
            "name": self.name,
            "samplerate": self.samplerate,
            "duration_s": self.duration_s,
            **{name: _as_dict(getattr(self, name)) for name in moments},
            "cracks": [dict(zip(CRACK.names or (), row, strict=True)) for row in self.cracks.tolist()],
            "density": [dict(zip(DENSITY.names or (), row, strict=True)) for row in self.density.tolist()],
            "summary": self.summary,
            "notes": list(self.notes),
        }

    def to_frame(self) -> pandas.DataFrame:
        """The events as a table, one a row, with a column for each of their fields.

        Raises
        ------
        MissingPartError
            Without pandas.
        """
        try:
            import pandas
        except ModuleNotFoundError:
            raise MissingPartError("a table of events needs pandas; install it with: pip install pandas") from None
        return pandas.DataFrame([event.to_dict() for event in self.events])

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draws the density of cracks with its interval and the moments of the roast.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to; by default a new figure of pyplot.

        Returns
        -------
        matplotlib.axes.Axes

        Raises
        ------
        MissingPartError
            Without matplotlib.
        """
        require("report", "matplotlib")
        from crackdetect.report import drawing, roast_figures

        if ax is None:
            from matplotlib import pyplot

            ax = pyplot.subplots(figsize=(drawing.WIDE, 3.2))[1]
        roast_figures.draw_density_alone(ax, self._record())
        return ax

    def _record(self) -> RoastRecord:
        state = self._state
        moments = {what: statement.as_moment() for what, statement in state.statements.items()}
        series = state.series
        roast = Roast(0, state.roast, "", "", length_s=state.until, crack_count=series.crack_count, moments=moments)
        return RoastRecord(roast, tuple(series.cracks), tuple(series.density), tuple(series.troubles))

    def _repr_png_(self) -> bytes | None:
        """The picture in a notebook; None (then the text stands) without matplotlib."""
        try:
            require("report", "matplotlib")
        except MissingPartError:
            return None
        from crackdetect.report import roast_figures

        out = io.BytesIO()
        roast_figures.density(self._record()).savefig(out, format="png", dpi=100)
        return out.getvalue()

    def __repr__(self) -> str:
        start = self.first_crack
        heard = "no first crack" if start is None else f"first crack at {clock(start.at)}"
        return f"<Analysis of {self.name}: {clock(self.duration_s)}, {heard}, {len(self.cracks)} cracks>"


def analyze(
    recording: str | Path | npt.NDArray[Any] | Recording,
    *,
    samplerate: int | None = None,
    channel: int | None = None,
    charge_at: float | str | None = None,
    drop_at: float | str | None = None,
    target: Target | str | None = None,
    sensitivity: Sensitivity = "usual",
    model: Model | str | Path | None = None,
    progress: Callable[[float], None] | None = None,
) -> Analysis:
    """Hears a recording from end to end, exactly as it would have been heard live.

    Parameters
    ----------
    recording : path, numpy.ndarray or Recording
        A file of any kind that libsndfile reads; samples of shape (n,) or (n, channels), full scale ±1 or integers; or
        what :func:`open_recording` gave, which is closed.
    samplerate : int
        Hz of an array; only there.
    channel : int, optional
        Of a file or an array, counted from 1. By default the one in which cracks stand out best, or the mean.
    charge_at, drop_at : float or str, optional
        When the beans go in and out, seconds from the first sample or as ``"0:10"``. By default they are listened for.
    target : Target or str, optional
        Development time (``"1:45"``) or development time ratio (``"18%"``).
    sensitivity : {"usual", "earlier", "surer"}
        How sure the hearing must be before it announces.
    model : Model or path, optional
        By default the shipped one.
    progress : callable, optional
        Called with the seconds heard so far.

    Returns
    -------
    Analysis

    Raises
    ------
    InputError
        When the recording cannot be read, or holds too little.
    SettingError
        For a value that is out of range, or an array without its samplerate.
    ModelError
        When the model cannot be used.

    Examples
    --------
    >>> import crackdetect
    >>> made = crackdetect.render(7, scenario="quiet", samplerate=16_000, duration_s=90)
    >>> roast = crackdetect.analyze(made.samples, samplerate=made.samplerate)
    >>> roast.first_crack.earliest <= made.truth.first_crack_start_s <= roast.first_crack.latest
    True
    >>> len(roast.cracks) > 10
    True
    """
    settings = _settings(charge_at=charge_at, drop_at=drop_at, target=target, sensitivity=sensitivity)
    source, name = _opened(recording, samplerate=samplerate, channel=channel)
    with closing(source):
        pipeline = pipeline_for(source, settings, model=model, roast=name)
        notes = opening_notes(source)
        events: list[Event] = []
        for block in source:
            events += pipeline.push(block)
            if progress is not None:
                progress(pipeline.duration_s)
        events += pipeline.finish()
    notes += closing_notes(source, pipeline, told=notes)
    why = why_inaudible(source, pipeline)
    return Analysis(events, notes=notes if why is None else [*notes, why])


def listen(
    source: Source | Iterable[Block | npt.NDArray[Any]],
    *,
    samplerate: int | None = None,
    charge_at: float | str | None = None,
    drop_at: float | str | None = None,
    target: Target | str | None = None,
    sensitivity: Sensitivity = "usual",
    model: Model | str | Path | None = None,
) -> Iterator[Event]:
    """The events of a roast, each as soon as it can be said.

    Parameters
    ----------
    source : Source or iterable of Block or numpy.ndarray
        Blocks of consecutive mono samples of any length. A source (:func:`open_recording`, a microphone) knows its
        samplerate; it is not closed.
    samplerate : int
        Hz; needed where the source has none.
    charge_at, drop_at, target, sensitivity, model
        As in :func:`analyze`.

    Yields
    ------
    Event
        ``roast.start`` first; ``summary`` last, when the source has ended.

    Raises
    ------
    SettingError, ModelError
        At once, as in :func:`analyze`.
    InputError
        When a block holds no mono samples.

    Examples
    --------
    >>> import crackdetect
    >>> made = crackdetect.render(7, scenario="quiet", samplerate=16_000, duration_s=90)
    >>> blocks = (made.samples[i : i + 1600] for i in range(0, len(made.samples), 1600))
    >>> for event in crackdetect.listen(blocks, samplerate=made.samplerate):
    ...     if event.type == "first_crack.start":
    ...         print(event.fields["confidence"] > 0.5)
    True
    """
    settings = _settings(charge_at=charge_at, drop_at=drop_at, target=target, sensitivity=sensitivity)
    known = getattr(source, "samplerate", samplerate)
    if known is None:
        raise SettingError("blocks do not say how fast they were sampled; give samplerate in Hz")
    kind: SourceKind = getattr(source, "kind", "stdin")
    pipeline = Pipeline(samplerate=known, model=_model(model), settings=settings, source=kind)
    return _events(source, pipeline)


def _events(blocks: Iterable[Block | npt.NDArray[Any]], pipeline: Pipeline) -> Iterator[Event]:
    for block in blocks:
        yield from pipeline.push(block if isinstance(block, Block) else Block(as_float32(block)))
    yield from pipeline.finish()


class Rendered(NamedTuple):
    """A synthetic roast.

    Attributes
    ----------
    samples : numpy.ndarray of float32, shape (n,)
        Full scale ±1.
    samplerate : int
        Hz.
    truth : Truth
        What truly happens in it, exact to the sample.
    """

    samples: Samples
    samplerate: int
    truth: Truth


def render(
    seed: int, *, scenario: str = "roast", samplerate: int = 44_100, duration_s: float | None = None
) -> Rendered:
    """Renders a synthetic roast, with its truth; the same for the same arguments.

    Parameters
    ----------
    seed : int
        Of the machine, the room, the microphone and the roast.
    scenario : str
        One of ``crackdetect.synth.plan.SCENARIOS``: ``roast``, ``second`` (with second crack), ``quiet`` (a quiet
        machine), ``kitchen`` and ``machine`` (nothing cracks), ``chorus`` (first crack only).
    samplerate : int
        Hz, 8,000 to 192,000.
    duration_s : float, optional
        Seconds; by default drawn from the seed.

    Raises
    ------
    SettingError
        For a value out of range.
    """
    from crackdetect.synth.plan import plan_roast
    from crackdetect.synth.render import Renderer

    renderer = Renderer(plan_roast(seed=seed, scenario=scenario, samplerate=samplerate, duration_s=duration_s))
    return Rendered(renderer.render(), samplerate, renderer.truth)


def score(roast: Analysis, truth: Truth) -> Score:
    """Holds what was said of a recording against its truth.

    Parameters
    ----------
    roast : Analysis
    truth : Truth
        Of :func:`render`, or ``Truth.from_json`` of a truth file's text.

    Returns
    -------
    Score
        Single cracks (``detection``), ``announcement``, ``dating`` and ``course``.
    """
    from crackdetect.evaluate.scoring import score as score_events

    return score_events(roast.name, roast.events, truth)


# -- parts of them


def _opened(
    recording: str | Path | npt.NDArray[Any] | Recording, *, samplerate: int | None, channel: int | None
) -> tuple[Recording, str]:
    """The source, and the name of the roast."""
    if isinstance(recording, np.ndarray):
        if samplerate is None:
            raise SettingError("an array does not say how fast it was sampled; give samplerate in Hz")
        return ArraySource(recording, samplerate=samplerate, channel=channel), "roast"
    if samplerate is not None:
        raise SettingError("a recording has a samplerate of its own; give samplerate only with an array")
    if isinstance(recording, str | Path):
        return open_recording(recording, channel=channel), Path(recording).stem or "roast"
    if not isinstance(recording, Recording):
        raise InputError(
            f"{type(recording).__name__} is no recording; give a path or an array, or blocks of samples to listen()"
        )
    if channel is not None:
        raise SettingError("this recording has its channel already; choose it where the recording is opened")
    return recording, "roast"


def _settings(
    *,
    charge_at: float | str | None,
    drop_at: float | str | None,
    target: Target | str | None,
    sensitivity: Sensitivity,
) -> Settings:
    return Settings(
        charge_at=parse_time(charge_at, name="charge_at") if isinstance(charge_at, str) else charge_at,
        drop_at=parse_time(drop_at, name="drop_at") if isinstance(drop_at, str) else drop_at,
        target=Target.parse(target) if isinstance(target, str) else target,
        sensitivity=sensitivity,
    )


def pipeline_for(
    source: Source, settings: Settings, *, model: Model | str | Path | None, roast: str, about: About | None = None
) -> Pipeline:
    """The pipeline that hears a source, here and on the command line.

    Parameters
    ----------
    source : Source
    settings : Settings
    model : Model or path or None
        None = the shipped one.
    roast : str
        Identity of the roast in its events.
    about : About, optional
        What the person said of it.

    Raises
    ------
    ModelError
        When the model cannot be used.
    """
    return Pipeline(
        samplerate=source.samplerate,
        model=_model(model),
        settings=settings,
        roast=roast,
        source=source.kind,
        about=about,
    )


def _model(model: Model | str | Path | None) -> Model:
    return model if isinstance(model, Model) else load_model(model)


def _moment(statement: Statement | None) -> Moment | None:
    if statement is None:
        return None
    earliest, latest = statement.interval or (None, None)
    return Moment(statement.at, earliest, latest, statement.announced_at, statement.how)


def _as_dict(moment: Moment | None) -> dict[str, Any] | None:
    return None if moment is None else {name: getattr(moment, name) for name in Moment.__slots__}
