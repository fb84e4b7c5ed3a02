"""Counts what a match made of an outing whose truth is known."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from support.outing_truth import ChangeTruth, ClockTruth, Document, FrameTruth, OutingTruth

FILLED = {"fill", "partial", "agree"}
A_STOP = 0.9
"""Turns of the ring from here on, in stops, are to be found by their light."""
SAME_STOP = 0.2
"""F-numbers nearer than this, in stops, are the same."""
UNMARKED = "no doubt"
Answer = Mapping[str, Any]


@dataclass(frozen=True)
class Counts:
    """Sums over outings of one kind. `frames` are those with an adapted lens, slate frames apart;
    wrong lenses include lenses filled in slate frames and frames of native lenses. `stale` counts
    f-numbers that are wrong since a turn of the ring wasn't noted, `f_wrong` all others."""

    outings: int = 0
    failed: int = 0
    frames: int = 0
    lens_right: int = 0
    lens_wrong: int = 0
    lens_unmarked: int = 0
    f_right: int = 0
    f_wrong: int = 0
    f_unmarked: int = 0
    stale: int = 0
    stale_unmarked: int = 0
    clock_unsure: int = 0
    offsets: int = 0
    offsets_right: int = 0
    offsets_told: int = 0
    step_runs: int = 0
    step_runs_true: int = 0
    step_frames_false: int = 0
    forgotten: int = 0
    forgotten_found: int = 0
    slates: int = 0
    slates_found: int = 0
    slates_false: int = 0
    estimates: int = 0
    estimates_right: int = 0
    alone_lens_blank: int = 0
    lens_gained: int = 0
    alone_f_blank: int = 0
    f_gained: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(
            **{f.name: getattr(self, f.name) + getattr(other, f.name) for f in fields(self)}
        )


@dataclass(frozen=True)
class Judged:
    """One frame with its answer. `forgot` is the largest turn, in stops, that wasn't noted since
    the last change that was."""

    truth: FrameTruth
    answer: Answer
    forgot: float

    @property
    def lens(self) -> str | None:
        value = self.answer.get("lens") if self.answer.get("outcome") in FILLED else None
        return None if value is None else str(value)

    @property
    def f_number(self) -> float | None:
        filled = self.answer.get("outcome") in FILLED
        value = self.answer.get("f_number") if filled else None
        return None if value is None or self.lens is None else float(value)

    @property
    def doubts(self) -> set[str]:
        return {doubt["kind"] for doubt in self.answer.get("doubts", ())}

    @property
    def adapted(self) -> bool:
        return self.truth.lens is not None and not self.truth.slate

    @property
    def lens_wrong(self) -> bool:
        return self.lens is not None and not (self.adapted and self.lens == self.truth.lens)

    @property
    def f_right(self) -> bool:
        return self.adapted and same_stop(self.f_number, self.truth.f_number)

    @property
    def f_wrong(self) -> bool:
        return self.adapted and self.f_number is not None and not self.f_right


def same_stop(one: float | None, other: float | None) -> bool:
    return bool(one and other) and abs(2 * math.log2((one or 1) / (other or 1))) < SAME_STOP


def forgot_before(changes: Sequence[ChangeTruth], place: int) -> float:
    """The largest turn that wasn't noted since the last change that was, at a place of a body."""
    largest = 0.0
    for change in changes:
        if change.place > place:
            break
        largest = 0.0 if change.noted else max(largest, change.stops)
    return largest


def judge(truth: OutingTruth, document: Document) -> list[Judged]:
    answers = {answer["file"]: answer for answer in document["frames"]}
    places: dict[str, int] = {}
    found = []
    for frame in truth.frames:
        place = places.get(frame.body, 0)
        places[frame.body] = place + 1
        changes = [change for change in truth.changes if change.body == frame.body]
        answer = answers.get(frame.file, {})
        found.append(Judged(frame, answer, forgot_before(changes, place)))
    return found


def count(truth: OutingTruth, document: Document | None, alone: Document | None) -> Counts:
    """`alone` is what the log alone gives, None where that can't be asked for."""
    judged = judge(truth, document or {"frames": []})
    counts = Counts(outings=1, failed=int(document is None))
    counts += _values(judged) + _slates(judged)
    if document is not None:
        counts += _clocks(truth, judged, document) + _steps(truth, judged) + _estimates(judged)
    if document is not None and alone is not None:
        counts += _gained(judged, judge(truth, alone))
    return counts


def _values(judged: Sequence[Judged]) -> Counts:
    adapted = [one for one in judged if one.adapted]
    wrong = [one for one in judged if one.lens_wrong]
    f_wrong = [one for one in adapted if one.f_wrong and not one.forgot]
    stale = [one for one in adapted if one.f_wrong and one.forgot]
    return Counts(
        frames=len(adapted),
        lens_right=sum(one.lens == one.truth.lens for one in adapted),
        lens_wrong=len(wrong),
        lens_unmarked=sum(not one.doubts for one in wrong),
        f_right=sum(one.f_right for one in adapted),
        f_wrong=len(f_wrong),
        f_unmarked=sum(not one.doubts for one in f_wrong),
        stale=len(stale),
        stale_unmarked=sum(not one.doubts for one in stale),
    )


def _slates(judged: Sequence[Judged]) -> Counts:
    called = [one for one in judged if one.answer.get("outcome") == "slate"]
    return Counts(
        slates=sum(one.truth.slate for one in judged),
        slates_found=sum(one.truth.slate for one in called),
        slates_false=sum(not one.truth.slate for one in called),
    )


def _clocks(truth: OutingTruth, judged: Sequence[Judged], document: Document) -> Counts:
    told = {clock["body"]: clock for clock in document.get("clocks", ())}
    off = [clock for clock in truth.clocks if _is_off(clock)]
    near = [clock for clock in off if _proposed(clock, told.get(clock.body, {}))]
    raised = any("clock-unsure" in one.doubts for one in judged)
    raised = raised or any(clock.get("agrees") is False for clock in told.values())
    return Counts(
        clock_unsure=int(raised),
        offsets=len(off),
        offsets_right=len(near),
        offsets_told=sum(told.get(c.body, {}).get("agrees") is False for c in off),
    )


def _is_off(clock: ClockTruth) -> bool:
    return bool(clock.ahead_s) and all(
        abs(ahead - (clock.stated_s or 0.0)) >= clock.tolerance_s for ahead in clock.ahead_s
    )


def _proposed(clock: ClockTruth, told: Mapping[str, Any]) -> bool:
    fits = told.get("fits_s")
    return (
        told.get("agrees") is False
        and fits is not None
        and any(abs(fits - ahead) <= clock.tolerance_s for ahead in clock.ahead_s)
    )


def _steps(truth: OutingTruth, judged: Sequence[Judged]) -> Counts:
    """A run is a row of frames of one body with `light-step`. It is true where a forgotten turn of
    a stop or more lies between the last noted change and one of its frames."""
    runs = runs_true = false_frames = forgotten = found = 0
    for body in {frame.body for frame in truth.frames}:
        own = [one for one in judged if one.truth.body == body]
        flags = ["light-step" in one.doubts for one in own]
        true = [one.forgot >= A_STOP for one in own]
        false_frames += sum(f and not t for f, t in zip(flags, true, strict=True))
        place = 0
        while place < len(own):
            if not flags[place]:
                place += 1
                continue
            end = place
            while end < len(own) and flags[end]:
                end += 1
            runs += 1
            runs_true += any(true[place:end])
            place = end
        for start, end in _forgotten_stretches(truth.changes, body, len(own)):
            forgotten += 1
            found += any(flags[start:end])
    return Counts(
        step_runs=runs,
        step_runs_true=runs_true,
        step_frames_false=false_frames,
        forgotten=forgotten,
        forgotten_found=found,
    )


def _forgotten_stretches(
    changes: Sequence[ChangeTruth], body: str, frames: int
) -> list[tuple[int, int]]:
    """From each turn of a stop or more that wasn't noted to the next change that was; only where
    frames lie on both sides and something had been noted before."""
    own = [change for change in changes if change.body == body]
    found, last = list[tuple[int, int]](), -1
    for number, change in enumerate(own):
        if change.noted:
            last = change.place
        elif change.stops >= A_STOP and 0 <= last < change.place:
            end = next((c.place for c in own[number + 1 :] if c.noted), frames)
            if end > change.place:
                found.append((change.place, end))
    return found


def _estimates(judged: Sequence[Judged]) -> Counts:
    given = [one for one in judged if one.answer.get("estimate") and one.adapted]
    right = [
        one
        for one in given
        if one.answer["estimate"]["low"] * 0.99
        <= (one.truth.f_number or 0)
        <= one.answer["estimate"]["high"] * 1.01
    ]
    return Counts(estimates=len(given), estimates_right=len(right))


def _gained(judged: Sequence[Judged], alone: Sequence[Judged]) -> Counts:
    lens = [(a, b) for a, b in zip(judged, alone, strict=True) if a.adapted and b.lens is None]
    f = [(a, b) for a, b in zip(judged, alone, strict=True) if a.adapted and b.f_number is None]
    return Counts(
        alone_lens_blank=len(lens),
        lens_gained=sum(one.lens == one.truth.lens for one, _ in lens),
        alone_f_blank=len(f),
        f_gained=sum(one.f_right for one, _ in f),
    )
