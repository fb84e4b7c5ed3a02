"""How light and ring went through an outing: every course they may have taken, by its odds.

What is seen is exposure; behind it stand two things that aren't: how bright the light was, and how
far the ring stood from what the log says. Both hold still as a rule, and each way in which they
may move has its odds; so has every look that lies off the light, by the scatter that the looks
themselves show. What a sight was made at has the odds of all the courses that have it so; and how
often light steps and rings go un-noted in this outing is learnt from the same courses. (A hidden
Markov model, by the forward-backward method of Baum and Welch.)

A ring turned without a note shows twice, once by its step and once where the next entry is true
again; light that changes would have to change twice, the second time just at that entry.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

FORGOTTEN = 600.0
"""Seconds in which one turn of a ring goes without a note, as far as nothing is known of the
outing. A prior, as the next five: what is seen can outweigh it by far. They were set by what
tests/support/simulate.py reports, and held against outings that were made up apart from it."""
LIGHT_STEPS = 3600.0
"""The same for the light: that it changes at a stroke by more than its wandering."""
AT_ENTRY = 0.1
"""How likely it does so just where an entry has a change: rings are turned and lenses changed
where people turn to something else."""
TURNED_AGAIN = 0.15
"""How much less likely a ring is turned a second time before any note is made."""
TURNED_BACK = 0.1
"""The same of a turn back to what the log says: light that goes and comes back is rather a cloud
than a ring turned there and back."""
UNNOTED_AT_ENTRY = 0.35
"""The same of a turn right after an entry, before any frame."""
WANDER = 0.3
"""Stops that light strays in ten minutes (common practice: sun through thin cloud)."""
LENS_APART = 0.2
"""Stops by which lenses differ in what they let through at one f-number (common practice: a
fifth of a stop, the reason why cinema lenses are marked in T-stops)."""
_ROUNDS = 4
"""Of learning, at the most; more change little."""
_LIKE, _LIKE_AT_ENTRY = 1.1, 0.05
"""Habits that differ by no more, as a ratio and as a probability, decide alike."""
_WEIGHT = 3600.0
"""Seconds of an outing for which what was believed before it counts."""
_ENTRIES = 5.0
"""The same in entries."""
_LONG = 600.0
"""Seconds without a look, of which no more can be learnt than of so many."""
_RANGE = 4.0
"""Stops within which a step of the light may take any size."""
_FREEDOM = 8.0
"""Of Student's t: pictures scatter with longer tails than a normal distribution."""
_COARSE = 0.7
"""Of the scatter of a look, the grid that the light is reckoned on."""
_MATTERS = 1e-5
"""Of the likeliest state, the odds of those that are followed: far beyond what anything is decided
by."""
_AROUND = 3
"""Steps of the grid, two scatters, about a look to which the light may have stepped."""
_EXPLAINS = 2.0
"""Scatters within which a turn explains a look."""


@dataclass(frozen=True, slots=True)
class Option:
    """How a look may have been made: in the time of entry number `era`, with the ring at `stops`
    (log2 N^2) as logged. `turns` are the stops, rising, by which it could stand elsewhere."""

    era: int
    stops: float
    turns: tuple[float, ...] = ()
    lens: str = ""


@dataclass(frozen=True, slots=True)
class SameScene:
    """A look at the scene of the look before. It scatters by `spread` stops about the light and
    the part of the other's miss that both `share`."""

    spread: float
    share: float


@dataclass(frozen=True, slots=True)
class Sight:
    """A look at time `at` (seconds) with the `light` that came through the lens (log2), which
    scatters by `spread` stops; and how it may have been made, in the order of entries.

    `again` is set where it saw the same scene as the sight before. `made` is how likely the change
    that begins an era fell between the two, where that was open; `steps` how many times as likely
    as else the light stepped, by what others saw.
    """

    at: float
    light: float
    spread: float
    options: tuple[Option, ...]
    again: SameScene | None = None
    made: Mapping[int, float] = field(default_factory=dict)
    steps: float = 1.0


@dataclass(frozen=True, slots=True)
class Weighed:
    """What a sight came to: how likely each of its options is, and that the ring stood as logged;
    `turn` is where it likeliest stood if it didn't (stops, closed is positive; 0 where nothing
    says so), `level` how bright the light was (log2)."""

    options: tuple[float, ...]
    as_logged: float
    turn: float
    level: float


@dataclass(frozen=True, slots=True)
class Courses:
    """What all courses together say: of every sight; how likely the light stepped just where an
    era began (`stepped_at`); and how often it steps (once in so many seconds)."""

    weighed: Sequence[Weighed]
    stepped_at: Mapping[int, float]
    light_steps: float


def weigh(sights: Sequence[Sight]) -> Courses:
    """Every sight, by all courses through all of them."""
    if not sights:
        return Courses((), {}, LIGHT_STEPS)
    habits = _Habits()
    course = _Course(sights, habits)
    weighed = course.weigh()
    for _ in range(_ROUNDS):
        before, habits = habits, course.learnt()
        if habits.is_like(before):
            break
        course = _Course(sights, habits)
        weighed = course.weigh()
    return Courses(weighed, course.counts.stepped_at, habits.light_steps)


@dataclass(frozen=True, slots=True)
class _Habits:
    """In how many seconds light steps once and a ring goes un-noted once; how likely light steps
    where an entry has a change."""

    light_steps: float = LIGHT_STEPS
    forgotten: float = FORGOTTEN
    at_entry: float = AT_ENTRY

    def is_like(self, other: _Habits) -> bool:
        """Whether there is nothing more to be learnt."""
        ratios = self.light_steps / other.light_steps, self.forgotten / other.forgotten
        alike = all(1 / _LIKE < ratio < _LIKE for ratio in ratios)
        return alike and abs(self.at_entry - other.at_entry) < _LIKE_AT_ENTRY


@dataclass(slots=True)
class _Counts:
    """How many of these the courses have, by their odds: light that stepped of itself, rings that
    were turned without a note, entries, and light that stepped at each."""

    stepped: float = 0.0
    turned: float = 0.0
    entered: float = 0.0
    stepped_at: dict[int, float] = field(default_factory=lambda: defaultdict(float))

    def add(self, other: _Counts, part: float) -> None:
        self.stepped += other.stepped * part
        self.turned += other.turned * part
        self.entered += other.entered * part
        for era, odds in other.stepped_at.items():
            self.stepped_at[era] += odds * part


class _Ring(NamedTuple):
    """An option's number, and the stops the ring stands off the log."""

    option: int
    turn: float


_Levels = dict[int, float]
"""Odds by the level of the light, in steps of the grid."""
_States = dict[_Ring, _Levels]


class _Move(NamedTuple):
    """From a ring's standing at one sight to an option of the next: how likely the light wanders by
    so many steps or jumps to a level, and the ring stands on, or is turned without a note, to
    anywhere or back to what the log says. `eras` are those that begin."""

    number: int
    option: Option
    eras: range
    stands: float
    made: float
    wander: Sequence[float]
    jumps: float
    turned: float
    back: float


class _Course:
    def __init__(self, sights: Sequence[Sight], habits: _Habits) -> None:
        self.sights = sights
        self.habits = habits
        self.counts = _Counts()
        spreads = sorted(sight.spread for sight in sights)
        self.grid = spreads[len(spreads) // 2] * _COARSE

    def weigh(self) -> list[Weighed]:
        forward = [self._start()]
        for at in range(1, len(self.sights)):
            forward.append(self._on(at, forward[-1]))
        onward = {ring: dict.fromkeys(levels, 1.0) for ring, levels in forward[-1].items()}
        weighed = [self._weighed(-1, forward[-1], onward)]
        for at in range(len(self.sights) - 1, 0, -1):
            onward = self._back(at, forward[at - 1], onward)
            weighed.append(self._weighed(at - 1, forward[at - 1], onward))
        return weighed[::-1]

    def learnt(self) -> _Habits:
        """The habits that the courses show, with what was believed before."""
        counts = self.counts
        seconds = _WEIGHT + sum(
            min(_LONG, after.at - before.at) for before, after in pairwise(self.sights)
        )
        at_entries = _ENTRIES * AT_ENTRY + sum(counts.stepped_at.values())
        return _Habits(
            seconds / (_WEIGHT / LIGHT_STEPS + counts.stepped),
            seconds / (_WEIGHT / FORGOTTEN + counts.turned),
            min(1.0, at_entries / (_ENTRIES + counts.entered)),
        )

    def _weighed(self, at: int, forward: _States, onward: _States) -> Weighed:
        options = [0.0] * len(self.sights[at].options)
        turns: dict[float, float] = defaultdict(float)
        level_sum = 0.0
        for ring, levels in forward.items():
            for level, odds in levels.items():
                odds *= onward[ring][level]
                options[ring.option] += odds
                turns[ring.turn] += odds
                level_sum += odds * level
        whole = sum(options)
        logged = turns.pop(0.0, 0.0)
        return Weighed(
            tuple(option / whole for option in options),
            logged / whole,
            max(turns, key=lambda turn: turns[turn], default=0.0),
            level_sum / whole * self.grid,
        )

    # How a look lies to the light --------------------------------------------------------------

    def _fits(self, sight: Sight, option: Option, turn: float, level: int) -> float:
        return _likely((sight.light + option.stops + turn - level * self.grid) / sight.spread)

    def _levels(self, sight: Sight, option: Option, turn: float) -> range:
        """The grid's levels about what this look says."""
        middle = round((sight.light + option.stops + turn) / self.grid)
        return range(middle - _AROUND, middle + _AROUND + 1)

    def _seen(self, sight: Sight, states: _States) -> _States:
        """The states, by how well the look fits each."""
        return {
            ring: {
                level: odds * self._fits(sight, sight.options[ring.option], ring.turn, level)
                for level, odds in levels.items()
            }
            for ring, levels in states.items()
        }

    # From one sight to the next ----------------------------------------------------------------

    def _moves(self, at: int, ring: _Ring) -> Iterator[_Move]:
        here, sight = self.sights[at - 1], self.sights[at]
        old = here.options[ring.option]
        seconds = sight.at - here.at
        steps = _within(seconds, self.habits.light_steps / sight.steps)
        for number, option in enumerate(sight.options):
            if option.era < old.era:
                continue
            same = option.era == old.era
            turned = _within(seconds, self.habits.forgotten) / max(1, len(option.turns))
            again = ring.turn != 0 and same
            steps_here = steps if same else min(1.0, steps + self.habits.at_entry)
            yield _Move(
                number,
                option,
                range(old.era + 1, option.era + 1),
                ring.turn if same else 0.0,
                _made(sight, old.era, option.era),
                self._wander(seconds, LENS_APART if option.lens != old.lens else 0.0),
                steps_here * self.grid / _RANGE,
                turned * (TURNED_AGAIN if again else 1.0 if same else UNNOTED_AT_ENTRY),
                turned * TURNED_BACK if again else 0.0,
            )

    def _wander(self, seconds: float, more: float) -> Sequence[float]:
        """How likely light strays by 0, 1, 2 ... steps of the grid, up or down."""
        variance = WANDER**2 * max(seconds, 1.0) / 600 + more**2
        reach = min(6, int(2.5 * math.sqrt(variance) / self.grid) + 1)
        found = [math.exp(-((n * self.grid) ** 2) / (2 * variance)) for n in range(reach + 1)]
        whole = found[0] + 2 * sum(found[1:])
        return [one / whole for one in found]

    def _turns(self, sight: Sight, move: _Move, level: int) -> Iterator[tuple[_Ring, float]]:
        """How the ring would have to be turned to explain a look in such light."""
        wanted = level * self.grid - sight.light - move.option.stops
        reach = _EXPLAINS * sight.spread
        turns = move.option.turns
        for n in range(bisect_left(turns, wanted - reach), bisect_right(turns, wanted + reach)):
            if turns[n] != move.stands:
                yield _Ring(move.number, turns[n]), move.turned
        if move.back and abs(wanted) < reach:
            yield _Ring(move.number, 0.0), move.back

    def _stays(
        self, at: int, again: SameScene, ring: _Ring, level: int
    ) -> Iterator[tuple[_Ring, float]]:
        """How the ring may stand at a sight of the same scene: from one frame of a burst to the
        next neither does the light move, nor is a ring turned without a note."""
        here, sight = self.sights[at - 1], self.sights[at]
        old = here.options[ring.option]
        light = level * self.grid
        shared = again.share * (here.light + old.stops + ring.turn - light)
        for number, option in enumerate(sight.options):
            if option.era >= old.era:
                stands = ring.turn if option.era == old.era else 0.0
                miss = sight.light + option.stops + stands - light - shared
                made = _made(sight, old.era, option.era)
                yield _Ring(number, stands), made * _likely(miss / again.spread)

    # Forward -----------------------------------------------------------------------------------

    def _start(self) -> _States:
        sight = self.sights[0]
        first = sight.options[0].era
        # Whether the ring stood as logged at the very first can't be seen: it is believed.
        return _that_matter({
            _Ring(number, 0.0): {
                level: _made(sight, first, option.era) * self._fits(sight, option, 0.0, level)
                for level in self._levels(sight, option, 0.0)
            }
            for number, option in enumerate(sight.options)
        })  # fmt: skip

    def _on(self, at: int, before: _States) -> _States:
        """The odds of the states of a sight, by all that was seen up to it."""
        again = self.sights[at].again
        if again is None:
            return _that_matter(self._seen(self.sights[at], self._moved(at, before)))
        after: _States = defaultdict(lambda: defaultdict(float))
        for ring, levels in before.items():
            for level, part in levels.items():
                for then, odds in self._stays(at, again, ring, level):
                    after[then][level] += part * odds
        return _that_matter(after)

    def _moved(self, at: int, before: _States) -> _States:
        sight = self.sights[at]
        after: _States = defaultdict(lambda: defaultdict(float))
        for ring, levels in before.items():
            whole = sum(levels.values())
            for move in self._moves(at, ring):
                stands = after[_Ring(move.number, move.stands)]
                for level, part in _strayed(levels, move.wander).items():
                    stands[level] += part * move.made
                    for turned, odds in self._turns(sight, move, level):
                        after[turned][level] += part * move.made * odds
                for level in self._levels(sight, move.option, move.stands):
                    stands[level] += whole * move.made * move.jumps
        return after

    # Back --------------------------------------------------------------------------------------

    def _back(self, at: int, before: _States, onward: _States) -> _States:
        """How likely all is that was seen from a sight on, by the states before it."""
        again = self.sights[at].again
        found: _States = {}
        if again is not None:
            for ring, levels in before.items():
                found[ring] = {
                    level: sum(
                        odds * onward.get(then, {}).get(level, 0.0)
                        for then, odds in self._stays(at, again, ring, level)
                    )
                    for level in levels
                }
            return _scaled(found)
        seen = self._seen(self.sights[at], onward)
        counts = _Counts()
        for ring, levels in before.items():
            found[ring] = self._moves_on(at, ring, levels, seen, counts)
        whole = sum(
            odds * found[ring][level]
            for ring, levels in before.items()
            for level, odds in levels.items()
        )
        self.counts.add(counts, 1 / whole)
        return _scaled(found)

    def _moves_on(
        self, at: int, ring: _Ring, levels: _Levels, seen: _States, counts: _Counts
    ) -> _Levels:
        sums = dict.fromkeys(levels, 0.0)
        all_levels = sum(levels.values())
        for move in self._moves(at, ring):
            about = self._levels(self.sights[at], move.option, move.stands)
            stands = seen.get(_Ring(move.number, move.stands), {})
            jumped = move.made * move.jumps * sum(stands.get(level, 0.0) for level in about)
            then = self._then(at, move, levels, seen)
            turned = went = 0.0
            for level, odds in levels.items():
                straight, turns = _drawn(then, move.wander, level)
                sums[level] += jumped + move.made * (straight + turns)
                turned += odds * move.made * turns
                went += odds * (jumped + move.made * (straight + turns))
            counts.turned += turned
            if move.eras:
                counts.entered += went * len(move.eras)
                for era in move.eras:
                    counts.stepped_at[era] += jumped * all_levels
            else:
                counts.stepped += jumped * all_levels
        return sums

    def _then(
        self, at: int, move: _Move, levels: _Levels, seen: _States
    ) -> dict[int, tuple[float, float]]:
        """How likely all is that was seen from a sight on, by the light: with the ring where it
        stands, and turned."""
        reach = len(move.wander) - 1
        stands = seen.get(_Ring(move.number, move.stands), {})
        return {
            level: (
                stands.get(level, 0.0),
                sum(
                    odds * seen.get(turned, {}).get(level, 0.0)
                    for turned, odds in self._turns(self.sights[at], move, level)
                ),
            )
            for level in range(min(levels) - reach, max(levels) + reach + 1)
        }


def _drawn(
    then: Mapping[int, tuple[float, float]], wander: Sequence[float], level: int
) -> tuple[float, float]:
    """What light comes to that strays from a level."""
    straight = turned = 0.0
    for off in range(1 - len(wander), len(wander)):
        part = wander[abs(off)]
        one, other = then[level + off]
        straight += part * one
        turned += part * other
    return straight, turned


def _within(seconds: float, mean: float) -> float:
    """The probability of something that happens once in `mean` seconds."""
    return -math.expm1(-max(seconds, 1.0) / mean)


def _likely(miss: float) -> float:
    """How likely a look misses by so many of its scatters: Student's t, 1 for none."""
    return float((1 + miss * miss / _FREEDOM) ** (-(_FREEDOM + 1) / 2))


def _made(sight: Sight, before: int, now: int) -> float:
    """How likely the changes from one era to another were made just before a sight."""
    return math.prod(sight.made.get(era, 1.0) for era in range(before + 1, now + 1))


def _strayed(levels: _Levels, wander: Sequence[float]) -> _Levels:
    found: _Levels = defaultdict(float)
    for level, part in levels.items():
        found[level] += part * wander[0]
        for off in range(1, len(wander)):
            found[level + off] += part * wander[off]
            found[level - off] += part * wander[off]
    return found


def _that_matter(states: _States) -> _States:
    """The states whose odds matter, the likeliest's being 1."""
    scaled = _scaled(states)
    kept = {
        ring: {level: odds for level, odds in levels.items() if odds > _MATTERS}
        for ring, levels in scaled.items()
    }
    return {ring: levels for ring, levels in kept.items() if levels}


def _scaled(states: _States) -> _States:
    """The states, the likeliest's odds being 1: a product of many odds would come to nothing."""
    most = max(max(levels.values()) for levels in states.values())
    return {
        ring: {level: odds / most for level, odds in levels.items()}
        for ring, levels in states.items()
    }
