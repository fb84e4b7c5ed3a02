"""What an edit is: named bytes replaced, and nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Splice:
    """The bytes from `start` to `end` of the source become `data`; equal ends insert."""

    start: int
    end: int
    data: bytes

    @property
    def growth(self) -> int:
        return len(self.data) - (self.end - self.start)


class Refused(Exception):
    """The values can't be written into this file without moving a byte; the message says why."""


def in_order(splices: Iterable[Splice]) -> tuple[Splice, ...]:
    """The splices by place, touching ones made one. Raises Refused where two overlap."""
    merged: list[Splice] = []
    for splice in sorted(splices, key=lambda one: (one.start, one.end)):
        if splice.start == splice.end and not splice.data:
            continue
        if merged and splice.start < merged[-1].end:
            raise Refused(f"two values share the bytes at {splice.start}")
        if merged and splice.start == merged[-1].end:
            last = merged.pop()
            splice = Splice(last.start, splice.end, last.data + splice.data)
        merged.append(splice)
    return tuple(merged)


def changed(at: int, old: bytes, new: bytes) -> Splice:
    """The splice that turns `old`, which stands at `at`, into `new`: only where they differ."""
    most = min(len(old), len(new))
    lead = next((n for n in range(most) if old[n] != new[n]), most)
    tail = next((n for n in range(most - lead) if old[-1 - n] != new[-1 - n]), most - lead)
    return Splice(at + lead, at + len(old) - tail, new[lead : len(new) - tail])


def applied(data: bytes, splices: Sequence[Splice]) -> bytes:
    """The bytes with the splices put in; these are in order and don't overlap."""
    pieces, at = [], 0
    for splice in splices:
        pieces += [data[at : splice.start], splice.data]
        at = splice.end
    return b"".join([*pieces, data[at:]])
