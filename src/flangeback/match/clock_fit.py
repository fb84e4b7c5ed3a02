"""How well a body's stated clock fits its frames, and how that is said."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta

from flangeback.clock.model import ClockSource, StatedClock
from flangeback.words import duration

CONTRADICTED = 1000.0
"""Odds of another offset against the stated one from which frames aren't matched by time."""
UNRELATED = 100.0
"""The same of a log that fits the frames at no time: there is no other offset to wait for."""
DIFFERS, UNLIKELY = 0.09, 0.2
"""How likely a frame has other values than by the stated clock, from where on it is doubted: by a
clock that is far off or as another outing's log is, or by minutes, each for itself. And from where
on it isn't filled."""
HALF, TELLING = 0.5, 24
"""The same where fewer shots than so many tell little more than what was thought before."""
DIFFERS_FEW, FEW = 0.05, 3
"""The least by minutes where neither a line nor satellites tell the clock, and so many entries at
the most can't show that it is right."""
BESIDE = 0.2
"""How likely a frame was made on the other side of the note beside it, from where on it isn't
filled."""
DOUBTED = 5.0
"""Odds of another offset from which evidence isn't used: changes would go by a wrong clock."""
SAID = 2.0
"""Odds of another offset from which it is said."""
CARRIED = 0.75
"""How much of all that speaks against the stated clock must speak for one other, for its line to
be offered."""
SMALL = 600.0
"""Seconds up to which a doubted clock leaves the time around each change open."""
_SAME = 20.0
"""Seconds around an offset that count as it."""


@dataclass(frozen=True)
class ClockFit:
    """How a body's stated clock fits its frames.

    `fits` is by how many seconds the clock is ahead as the frames have it, None where they can't
    tell; `odds` how many times likelier that is than what is stated (or, where it is what is
    stated, than anything else). `late` is the slack in seconds that the notes need, if they are
    late. `is_related` is False where the log
    rather fits nowhere than by another clock. `rival` is the offset (seconds by which the clock is
    ahead of what is stated) by which shots are likeliest to have other values than by the stated
    one; `differs` says for each how likely it has, `far` and `by_minutes` the same if the clock is
    off by more than minutes, or by up to half an hour, and `unrelated` how likely the log is
    another outing's, of which so many `entries` were held against the shots. `beside` has shots
    that lie some seconds beside the note of a change, and how likely each was made on its other
    side. `is_carried` says that what speaks against the stated clock speaks for one other. With
    `is_harmless` notes look late, and no shot has other values for that. `lags` has for changes, by
    their number among those with a time, from 0, by how many seconds before their notes they may
    well have been made.
    """

    body: str | None
    stated: StatedClock
    fits: float | None = None
    odds: float | None = None
    agrees: bool = True
    late: float | None = None
    is_harmless: bool = False
    is_related: bool = True
    is_carried: bool = True
    rival: float = 0.0
    differs: Sequence[float] = ()
    far: Sequence[float] = ()
    by_minutes: Sequence[float] = ()
    unrelated: float = 0.0
    entries: int = 0
    beside: Mapping[int, float] = field(default_factory=dict)
    lags: Mapping[int, float] = field(default_factory=dict)

    @property
    def offset(self) -> float:
        """Seconds by which the clock is ahead of what is stated, as the frames have it."""
        return 0.0 if self.fits is None else self.fits - self.stated.ahead

    @property
    def is_likely(self) -> bool:
        """Whether nothing else is likelier by much."""
        return not self.offset or (self.odds or 0) < DOUBTED

    @property
    def is_trusted(self) -> bool:
        """Whether evidence may build on the clock."""
        return self.stated.sure or self.is_likely

    @property
    def is_near(self) -> bool:
        """Whether the frames speak for a clock near the one that is stated."""
        return self.is_related and abs(self.offset) <= SMALL

    @property
    def may_move(self) -> bool:
        """Whether the log is rather of these frames by another clock than another outing's."""
        return self.is_related and self.unrelated < UNLIKELY

    @property
    def leans(self) -> bool:
        """Whether the frames speak for a far offset, without proof: a doubt on each that is filled.

        By a near one, the windows of changes are widened.
        """
        return self.agrees and not self.is_likely and not self.is_near

    @property
    def is_borne_out(self) -> bool:
        """Whether the frames put a doubt on none for its clock."""
        is_fine = self.is_likely or self.is_harmless
        return self.agrees and is_fine and not any(True for _ in self.doubted)

    @property
    def tells(self) -> bool:
        """Whether the frames tell anything worth saying, for the clock or against it."""
        says_nothing = self.offset and self.agrees and (self.odds or 0) < SAID
        return self.odds is not None and not (says_nothing or self.is_harmless)

    @property
    def doubted(self) -> Iterator[int]:
        """The shots that the frames give other values, by a far clock or as likely as not.

        None where all are doubted.
        """
        if self.agrees and not self.leans:
            for at, (share, far) in enumerate(zip(self.differs, self.far, strict=True)):
                if far + self.unrelated >= DIFFERS or share + self.unrelated >= HALF:
                    yield at

    @property
    def uncertain(self) -> Iterator[int]:
        """The shots that have other values if the clock is minutes off or notes are late."""
        cant_tell = self.stated.source is None and self.entries <= FEW
        least = DIFFERS_FEW if cant_tell else DIFFERS
        if self.agrees and not self.leans:
            yield from (at for at, share in enumerate(self.by_minutes) if share >= least)

    @property
    def unlikely(self) -> Iterator[int]:
        """The shots that may well have other values: they are left blank, but for `sure`."""
        if self.settled and not self.stated.sure:
            least = UNLIKELY if len(self.differs) >= TELLING else HALF
            shares = enumerate(self.differs)
            yield from (at for at, share in shares if share + self.unrelated >= least)

    @property
    def likely_beside(self) -> Iterator[int]:
        """The shots that may well lie on the other side of the note beside them: the same."""
        if self.settled and not self.stated.sure:
            yield from (at for at, share in self.beside.items() if share >= BESIDE)

    @property
    def told(self) -> tuple[float | None, float | None]:
        """Where the frames have the clock, and the odds; None where they can't tell.

        Where no more than some frames are doubted, by the offset that they are doubted for.
        """
        if self.is_harmless:
            return None, None
        if self.fits is not None or self.is_borne_out:
            return self.fits, self.odds
        share = max(self.differs) + self.unrelated
        return self.stated.ahead + self.rival if self.is_related else None, share / (1 - share)

    @property
    def other(self) -> float | None:
        """Seconds by which it is ahead instead, where frames speak against what is stated.

        Of all frames or of some; None where none do, or where no clock would mend it.
        """
        if self.is_borne_out or not self.is_related or not self.is_carried:
            return None
        if not self.is_likely:
            return self.fits
        share = max(self.differs, default=0.0)
        return self.stated.ahead + self.rival if share >= self.unrelated else None

    @property
    def settled(self) -> bool:
        """Whether frames may be matched by time."""
        return self.stated.sure or (self.agrees and not self.stated.was_set)


def clock_words(fit: ClockFit) -> str:
    """The fit in a line, with the log's line to add where the frames contradict the clock."""
    name = fit.body or "the body"
    stated = f"{_way(fit.stated.ahead)} as {_SAID[fit.stated.source]}"
    said = stated if fit.stated.source else "taken as right"
    if fit.odds is None or fit.fits is None:
        return f"{name}: {said}"
    if fit.is_harmless and fit.late:
        late = f"notes look up to {_amount(fit.late)} late, which changes no frame's values"
        return f"{name}: {said}; {late}"
    odds = f"{min(fit.odds, 1e6):,.0f}:1"
    if not fit.offset:
        return f"{name}: {said}; the frames agree, {odds}"
    if fit.agrees:
        late = f"notes up to {_amount(fit.late)} late, or a clock " if fit.late else ""
        told = f"{late}{_way(fit.fits)}{_cause(fit)}, {odds}, which is no proof"
        lean = f"the frames speak for {told}: {'if so, ' if fit.is_carried else ''}{_advice(fit)}"
        if not fit.is_related:
            lean = f"the frames fit the log at no time, {odds}, which is no proof: is it theirs?"
        return f"{name}: {said}{f'; {lean}' if fit.tells else ''}"
    if not fit.is_related:
        return f"{name}: the log fits these frames at no time, {odds}: is it another outing's?"
    told = f"{_way(fit.fits)}{_cause(fit)}, {odds}: {_advice(fit)}"
    if fit.late is not None:
        told = (
            f"that notes were made up to {_amount(fit.late)} late, {odds}: add `{clock_line(fit)}` "
            f"(or {_advice(fit)}, if it was the clock)"
        )
    return f"{name}: the frames say {told}"


def clock_question(fit: ClockFit) -> str:
    """What the frames say against the clock, of all or of some of them."""
    told, doubted = clock_words(fit), list(fit.doubted)
    if not doubted or not fit.is_likely:
        return told
    return f"{told}; {rival_words(fit, max(doubted, key=lambda shot: fit.differs[shot]))}"


def rival_words(fit: ClockFit, shot: int) -> str:
    """Why a shot may have other values, with the log's line to add if so."""
    told = f"another entry may hold, by the frames at {fit.differs[shot] + fit.unrelated:.0%}"
    if not fit.is_related or fit.differs[shot] < fit.unrelated:
        return f"{told}: is the log another outing's?"
    rival = replace(fit, fits=fit.stated.ahead + fit.rival)
    if not fit.is_carried:
        return f"{told}: the body's clock may be off: {_advice(fit)}"
    return f"{told}: if the body's clock was {_way(rival.fits or 0.0)}, {_advice(rival)}"


def uncertain_words(fit: ClockFit, shot: int) -> str:
    """Why a shot isn't certain though nothing speaks against the clock, and what to do."""
    if fit.stated.source is not None or fit.differs[shot] >= DIFFERS:
        return rival_words(fit, shot)
    right = _by_clock(replace(fit, fits=0.0))
    return (
        f"another entry may hold, at {fit.by_minutes[shot]:.0%}: the clock may be minutes off, "
        f"and the entries can't tell: add `{right}`, or a line with a photo of a clock"
    )


def clock_line(fit: ClockFit) -> str | None:
    """The log's line by which the clock is as the frames have it; None where none mends it."""
    if fit.late is not None and fit.is_related and not fit.agrees:
        return f"slack {_amount(fit.late)}"
    return None if fit.other is None else _by_clock(replace(fit, fits=fit.other))


def other_way(fit: ClockFit) -> str:
    """The clock as the frames have it, in words: "3m20s fast"."""
    return _way(fit.other or 0.0)


def _advice(fit: ClockFit) -> str:
    """What to do about the log's clock line; a body has one, but for photos of a clock."""
    lines = fit.stated.lines
    if not fit.is_carried:
        name = f"{fit.body} " if fit.body else ""
        return f"say when a frame was made: `clock {name}NAME shows HH:MM:SS`"
    if not lines:
        return f"add `{_by_clock(fit)}`"
    numbers = " and ".join(str(line) for line in lines)
    return f"write `{_by_clock(fit)}` instead of line{'s' if len(lines) > 1 else ''} {numbers}"


def _by_clock(fit: ClockFit) -> str:
    ahead = fit.fits or 0.0
    way = "fast" if ahead > 0 else "slow"
    told = f"{way} {_amount(ahead)}" if round(ahead) else "right"
    return f"clock {fit.body} {told}" if fit.body else f"clock {told}"


_SAID = {ClockSource.LOG: "logged", ClockSource.GPS: "GPS has it", None: ""}


def _way(ahead: float) -> str:
    seconds = round(ahead)
    return "right" if not seconds else f"{_amount(ahead)} {'fast' if seconds > 0 else 'slow'}"


def _amount(seconds: float) -> str:
    return duration(timedelta(seconds=round(abs(seconds))))


def _cause(fit: ClockFit) -> str:
    """What may have gone wrong, in words."""
    off, by_gps = abs(fit.offset), fit.stated.by_gps
    if by_gps is not None and abs((fit.fits or 0.0) - by_gps) <= _SAME:
        return ", as GPS has it"
    if fit.stated.ahead and abs(fit.offset + 2 * fit.stated.ahead) <= _SAME:
        return ", as if fast and slow were swapped"
    if abs(off - 43200) <= 60:
        return ", as if morning and afternoon were swapped"
    if off >= 80000 and abs(off - round(off / 86400) * 86400) <= 60:
        return ", as if the date were another"
    if off >= 1800 and abs(off - round(off / 1800) * 1800) <= 60:
        return ", as if by another zone or summer time"
    return ""
