"""What the weighing of an outing's frames came to, as a run notes it.

Weighing looks at the light of every picture. It comes to slate frames, to the fit of each clock,
and by the light to places of changes, doubts and estimates; all else follows from these, the log
and the frames, so that a later run on the same files needs no picture.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass, field, fields, replace
from decimal import Decimal
from itertools import groupby
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import flangeback
from flangeback.frames.model import Frame
from flangeback.kit.model import Kit
from flangeback.log.model import SessionLog
from flangeback.match.changes import BodyTimeline, Change, Doubts
from flangeback.match.clock_fit import ClockFit
from flangeback.match.doubts import Doubt, DoubtKind
from flangeback.match.index import LogIndex
from flangeback.match.model import Estimate
from flangeback.match.shots import Shot

_T = TypeVar("_T")
_FIT = [one.name for one in fields(ClockFit) if one.name not in ("body", "stated")]
"""What the frames told of a clock; the rest is the log's."""


@dataclass(frozen=True, slots=True)
class LightTold:
    """What the light told of one body.

    `places` has the changes as it left them: of each its number among those it was given, from 0,
    and its places. Doubts and estimates are by shot.
    """

    places: Sequence[tuple[int, Sequence[int]]] = ()
    doubts: Doubts = field(default_factory=dict)
    estimates: Mapping[int, Estimate] = field(default_factory=dict)

    @classmethod
    def of(
        cls, given: Sequence[Change], left: Sequence[Change], doubts: Doubts, **more: Any
    ) -> LightTold:
        """What it told that was given some changes and left these."""
        numbers = {replace(change, places=()): n for n, change in enumerate(given)}
        places = [(numbers[replace(change, places=())], change.places) for change in left]
        return cls(places, doubts, **more)

    def narrow(self, _: Sequence[Shot], changes: Sequence[Change]) -> tuple[list[Change], Doubts]:
        """The changes as the light left them, and its doubts."""
        return [changes[number].at(places) for number, places in self.places], self.doubts


class Told(NamedTuple):
    """What the frames told, by body. `state` gives the digest of all that it goes by.

    `slates` are the files of slate frames that the log doesn't count, `steps` the doubts light-step
    on files that go by an entry that names them.
    """

    state: Callable[[], str]
    slates: frozenset[str]
    fits: Mapping[str | None, ClockFit]
    lights: Mapping[str | None, LightTold]
    steps: Mapping[str, Doubt]

    def noted(self) -> Mapping[str, Any]:
        """It as JSON."""
        return {
            "state": self.state(),
            "slates": sorted(self.slates),
            "fits": [[body, dict(_noted_fit(fit))] for body, fit in self.fits.items()],
            "lights": [
                [body, one.places, [*_runs(one.doubts)], [*_runs(one.estimates)]]
                for body, one in self.lights.items()
            ],
            "steps": [(file, *_noted_doubt(doubt)) for file, doubt in self.steps.items()],
        }

    @classmethod
    def recalled(cls, noted: Any, state: Callable[[], str], index: LogIndex) -> Told | None:
        """What an earlier run noted; None where it went by anything else, or isn't sound."""
        try:
            if noted is None or noted["state"] != state():
                return None
            slates, steps = frozenset(noted["slates"]), noted["steps"]
            if not index.bodies.keys() >= {*slates, *(file for file, *_ in steps)}:
                raise ValueError("each is a file of these")
            index = index.without(slates)
            lines = {body: log.timeline for body, log in index.by_body.items()}
            return cls(
                state,
                slates,
                {
                    body: _fit(ClockFit(body, index.by_body[body].stated), lines[body], told)
                    for body, told in noted["fits"]
                },
                {body: _light(lines[body], *told) for body, *told in noted["lights"]},
                {file: _doubt(*doubt) for file, *doubt in steps},
            )
        except (AttributeError, LookupError, TypeError, ValueError, ArithmeticError):
            return None


def state_of(frames: Sequence[Frame], logs: Sequence[SessionLog], kit: Kit) -> str:
    """The digest of what weighing goes by: the files as they are, logs, kit, and this program."""
    from xxhash import xxh3_128

    said = _program(), kit, [(log.file, log.lines) for log in logs]
    found = xxh3_128(repr(said).encode(errors="surrogatepass"))
    for frame in frames:
        for one in (frame, *frame.companions):
            state = f"{one.file}\0{one.identity}{one.stated}{one.damage}\0"
            found.update(state.encode(errors="surrogatepass"))
    return found.hexdigest()


def _program() -> tuple[str, Sequence[tuple[str, int, int]]]:
    """The version, and the state of the modules that weigh: between releases they change, too."""
    found = ((module.name, module.stat()) for module in Path(__file__).parent.glob("*.py"))
    states = [(name, state.st_size, state.st_mtime_ns) for name, state in found]
    return flangeback.__version__, sorted(states)


def _noted_fit(fit: ClockFit) -> Iterator[tuple[str, Any]]:
    """Its fields; what shots have in a row alike stands there once, and how often."""
    for name in _FIT:
        value = getattr(fit, name)
        if isinstance(value, Mapping):
            yield name, list(value.items())
        elif isinstance(value, Sequence):
            yield name, [(len(list(alike)), share) for share, alike in groupby(value)]
        else:
            yield name, value


def _fit(fit: ClockFit, line: BodyTimeline, noted: Any) -> ClockFit:
    """The fit, of one that says nothing."""
    said = {name: noted[name] for name in _FIT}
    for name, value in said.items():
        if isinstance(getattr(fit, name), Mapping):
            said[name] = {int(at): float(share) for at, share in value}
        elif isinstance(getattr(fit, name), Sequence):
            if sum(abs(times) for times, _ in value) not in (0, len(line.shots)):
                raise ValueError("each shot has a share, or none has")
            said[name] = array("d", (share for times, share in value for _ in range(times)))
    return replace(fit, **said)


def _light(line: BodyTimeline, places: Any, doubts: Any, estimates: Any) -> LightTold:
    shots, changes = range(len(line.shots)), range(len(line.changes))
    within = range(len(shots) + 1)
    if any(not some for _, some in places):
        raise ValueError("a change has no place")
    return LightTold(
        [(changes[number], tuple(within[at] for at in some)) for number, some in places],
        dict(_by_shot(doubts, shots, lambda *some: tuple(_doubt(*one) for one in some))),
        dict(_by_shot(estimates, shots, Estimate)),
    )


def _noted_doubt(doubt: Doubt) -> tuple[str, str, str | None]:
    return doubt.kind, doubt.text, None if doubt.f_number is None else str(doubt.f_number)


def _doubt(kind: str, text: str, f_number: str | None) -> Doubt:
    return Doubt(DoubtKind(kind), text, None if f_number is None else Decimal(f_number))


def _runs(by_shot: Mapping[int, Any]) -> Iterator[list[Any]]:
    """Shots in a row of which the same is told: the first, the last, and what."""
    rows = sorted(by_shot)
    for (told, _), run in groupby(enumerate(rows), lambda row: (by_shot[row[1]], row[1] - row[0])):
        numbers = [number for _, number in run]
        if isinstance(told, Estimate):
            yield [numbers[0], numbers[-1], *astuple(told)]
        else:
            yield [numbers[0], numbers[-1], *map(_noted_doubt, told)]


def _by_shot(runs: Any, shots: range, value: Callable[..., _T]) -> Iterator[tuple[int, _T]]:
    for first, last, *told in runs:
        found = value(*told)
        yield from ((at, found) for at in shots[first : last + 1])
