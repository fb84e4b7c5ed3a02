"""The likeliest course of light and ring through an outing, and by how much it is the likeliest.

What is seen is exposure; behind it stand two things that aren't: how bright the light was, and how
far the ring stood from what the log says. Both hold still as a rule. Each way in which they may
move has a price, the negative logarithm of its odds, and so has every look that lies off the
light, by the scatter that the looks themselves show. The cheapest course is the likeliest; what a
look was made at is decided where every course that has it otherwise costs enough more. (The method
is Viterbi's, with the price of each alternative found by going back over the same steps.)

A ring turned without a note shows twice, once by its step and once where the next entry is true
again; light that changes would have to change twice, the second time just at that entry.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

FORGOTTEN = 1200.0
"""Seconds in which one turn of a ring goes without a note. A prior, as the next two: what is
seen can outweigh it by far, and it settles only what would else be even. These three were set by
what tests/simulate.py reports: most steps found, with doubts on one frame in a hundred for
nothing."""
LIGHT_STEPS = 3600.0
"""Seconds in which steady light once changes at a stroke by more than its wandering."""
TURNED_AGAIN = 2.0
"""Price of a second turn before any note is made, besides that of a first: who forgets once may
forget again."""
TURNED_BACK = 3.5
"""The same of a turn back to what the log says: light that goes and comes back is rather a cloud
than a ring turned there and back."""
UNNOTED_AT_ENTRY = 1.0
"""Price of a further turn right after an entry, before any frame."""
WANDER = 0.3
"""Stops that light strays in ten minutes (common practice: sun through thin cloud)."""
LENS_APART = 0.2
"""Stops by which lenses differ in what they let through at one f-number (common practice: a
fifth of a stop, the reason why cinema lenses are marked in T-stops)."""
_RANGE = 4.0
"""Stops within which a step of the light may take any size."""
_FREEDOM = 5.0
"""Of Student's t: pictures scatter with longer tails than a normal distribution."""
_BEAM = 9.0
"""Courses as much dearer than the cheapest are given up: odds of one in 8,000, far beyond what
anything is decided by."""
_MATTERS = 6.0
"""Courses as much dearer need not be followed through a step of the light: nothing is decided by
less than what is left of them."""
_COARSE = 0.7
"""Of the scatter of a look, the grid that the light is reckoned on."""


@dataclass(frozen=True, slots=True)
class Option:
    """How a look may have been made: in the time of entry number `era`, with the ring at `stops`
    (log2 N^2) as logged. `turns` are the stops, in halves, by which it could stand elsewhere."""

    era: int
    stops: float
    turns: tuple[float, ...] = ()
    lens: str = ""


@dataclass(frozen=True, slots=True)
class Sight:
    """A look at time `at` (seconds) with the `light` that came through the lens (log2), which
    scatters by `spread` stops; and how it may have been made, in the order of entries."""

    at: float
    light: float
    spread: float
    options: tuple[Option, ...]


class State(NamedTuple):
    """An option's number, the stops the ring stands off the log, the light in steps of a grid."""

    option: int
    turn: float
    level: int


Prices = dict[State, float]


@dataclass(frozen=True, slots=True)
class Weighed:
    """What a sight came to: the price of each of its options over the cheapest course's, and of
    the ring standing as logged; `turn` is where the cheapest course has it (stops, closed is
    positive), `level` how bright it has the light (log2)."""

    options: tuple[float, ...]
    as_logged: float
    turn: float
    level: float


def weigh(sights: Sequence[Sight]) -> list[Weighed]:
    """Every sight, by the courses through all of them."""
    if not sights:
        return []
    return _Course(sights).weigh()


def price_within(seconds: float, mean: float) -> float:
    """The price of something happening in a time that happens once in `mean` seconds."""
    return -math.log(-math.expm1(-max(seconds, 1.0) / mean))


class _Course:
    def __init__(self, sights: Sequence[Sight]) -> None:
        self.sights = sights
        spreads = sorted(sight.spread for sight in sights)
        self.grid = spreads[len(spreads) // 2] * _COARSE
        self.jump = math.log(_RANGE / self.grid)

    def weigh(self) -> list[Weighed]:
        steps: list[list[tuple[State, State, float]]] = [[]]
        prices = [self._start()]
        for at in range(1, len(self.sights)):
            edges, reached = self._step(at, prices[-1])
            steps.append(edges)
            prices.append(reached)
        best = min(prices[-1].values())
        onward: Prices = dict.fromkeys(prices[-1], 0.0)
        weighed = []
        for at in range(len(self.sights) - 1, -1, -1):
            weighed.append(self._weighed(at, prices[at], onward, best))
            back: Prices = {}
            for before, after, price in steps[at]:
                rest = onward.get(after)
                if rest is not None and price + rest < back.get(before, math.inf):
                    back[before] = price + rest
            onward = back
        return weighed[::-1]

    # Forward -----------------------------------------------------------------------------------

    def _start(self) -> Prices:
        sight = self.sights[0]
        found: Prices = {}
        for number, option in enumerate(sight.options):
            # Whether the ring stood as logged at the very first can't be seen: it is believed.
            for level in self._levels(sight, option, 0.0):
                state = State(number, 0.0, level)
                found[state] = self._miss(sight, state)
        return found

    def _levels(self, sight: Sight, option: Option, turn: float) -> range:
        """The grid's levels about what this look says."""
        middle = round((sight.light + option.stops + turn) / self.grid)
        return range(middle - 1, middle + 2)

    def _miss(self, sight: Sight, state: State) -> float:
        """The price of a look's lying off the light."""
        stops = sight.options[state.option].stops + state.turn
        miss = (sight.light + stops - state.level * self.grid) / sight.spread
        return (_FREEDOM + 1) / 2 * math.log1p(miss * miss / _FREEDOM)

    def _step(self, at: int, prices: Prices) -> tuple[list[tuple[State, State, float]], Prices]:
        """The ways from the sight before to this one, and what its states cost by then."""
        edges: list[tuple[State, State, float]] = []
        reached: Prices = {}
        for before, after, price in self._ways(at, prices):
            whole = price + self._miss(self.sights[at], after)
            total = prices[before] + whole
            edges.append((before, after, whole))
            if total < reached.get(after, math.inf):
                reached[after] = total
        limit = min(reached.values()) + _BEAM
        reached = {state: price for state, price in reached.items() if price <= limit}
        return [edge for edge in edges if edge[1] in reached], reached

    def _ways(self, at: int, prices: Prices) -> Iterator[tuple[State, State, float]]:
        here, sight = self.sights[at - 1], self.sights[at]
        seconds = sight.at - here.at
        wander = self._wander(seconds)
        jump = self.jump + price_within(seconds, LIGHT_STEPS)
        cheapest: dict[tuple[int, float], State] = {}
        for state, price in prices.items():
            key = state.option, state.turn
            if key not in cheapest or price < prices[cheapest[key]]:
                cheapest[key] = state
            for number, option in enumerate(sight.options):
                yield from self._on(state, here, number, option, sight, seconds, wander)
        least = min(prices.values())
        for (option_before, turn), state in cheapest.items():
            if prices[state] > least + _MATTERS:
                continue
            for number, option in enumerate(sight.options):
                era = here.options[option_before].era
                if option.era >= era:
                    stands = turn if option.era == era else 0.0
                    for level in self._levels(sight, option, stands):
                        yield state, State(number, stands, level), jump

    def _on(
        self,
        state: State,
        here: Sight,
        number: int,
        option: Option,
        sight: Sight,
        seconds: float,
        wander: Sequence[float],
    ) -> Iterator[tuple[State, State, float]]:
        """The ways of one state on to one option: the light wanders, the ring may be turned."""
        old = here.options[state.option]
        if option.era < old.era:
            return
        same = option.era == old.era
        stands = state.turn if same else 0.0
        if option.lens != old.lens:
            wander = self._wander(seconds, LENS_APART)
        for off, price in enumerate(wander):
            yield state, State(number, stands, state.level + off), price
            if off:
                yield state, State(number, stands, state.level - off), price
        wanted = state.level * self.grid - sight.light - option.stops
        turn = round(2 * wanted) / 2
        if turn not in option.turns:
            turn = 0.0
        if turn != stands:
            price = price_within(seconds, FORGOTTEN) + math.log(1 + len(option.turns))
            price += 0.0 if same else UNNOTED_AT_ENTRY
            if state.turn and same:
                price += TURNED_AGAIN if turn else TURNED_BACK
            yield state, State(number, turn, state.level), price

    def _wander(self, seconds: float, more: float = 0.0) -> Sequence[float]:
        """The prices of the light's straying by 0, 1, 2 ... steps of the grid."""
        variance = WANDER**2 * max(seconds, 1.0) / 600 + more**2
        reach = min(4, int(2 * math.sqrt(variance) / self.grid) + 1)
        return [(n * self.grid) ** 2 / (2 * variance) for n in range(reach + 1)]

    # Back --------------------------------------------------------------------------------------

    def _weighed(self, at: int, prices: Prices, onward: Prices, best: float) -> Weighed:
        options = [_BEAM] * len(self.sights[at].options)
        logged, turn, level, least = _BEAM, 0.0, 0, math.inf
        for state, price in prices.items():
            more = price + onward.get(state, math.inf) - best
            options[state.option] = min(options[state.option], more)
            if state.turn == 0.0:
                logged = min(logged, more)
            if more < least:
                least, turn, level = more, state.turn, state.level
        return Weighed(tuple(options), logged, turn, level * self.grid)
