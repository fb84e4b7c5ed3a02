"""What the commands print of frames and copies: rows by span, doubts in words, totals last."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from flangeback.match.clock_fit import clock_words
from flangeback.match.meanings import words_in
from flangeback.match.model import Matches, Outcome, Source
from flangeback.report.hints import command
from flangeback.report.runs import Note, Run, Section, sections, sensor_lines
from flangeback.report.tables import Column, Terminal, Text
from flangeback.words import count, listed, number, shortened, some_of

if TYPE_CHECKING:
    from pathlib import Path

    from flangeback.copies.model import Filled, FramePreview, Verified
    from flangeback.copies.others import OtherFiles
    from flangeback.demo.tour import Tour
    from flangeback.report.settling import Case

_USUAL_WIDTH = 80
"""Columns of a usual terminal: with fewer, tables leave something out; with many more, they say
more."""
_LONG = 15
"""After more rows than this, what needs a person is told again."""
_MOST_CASES = 12
_MOST_IDLE = 5
_NAMES = 20
"""Characters for the names of a row."""
_STYLES = {
    Outcome.FILL: "green",
    Outcome.AGREE: "green",
    Outcome.PARTIAL: "yellow",
    Outcome.CONFLICT: "red",
    Outcome.UNSURE: "yellow",
    Outcome.UNLOGGED: "yellow",
    Outcome.UNREADABLE: "red",
}
_PARTS = {
    **dict.fromkeys(["FNumber", "ApertureValue"], "f-number"),
    **dict.fromkeys(["FocalLength", "FocalLengthIn35mmFilm"], "focal length"),
}
"""What a tag tells, where that isn't the lens."""


def show_matches(terminal: Terminal, matches: Matches, cases: Sequence[Case] = ()) -> None:
    """Prints what the frames come to, and the `cases` on clocks; after a long list, all of them."""
    found = tuple(sections(matches))
    for section in found:
        _show_section(terminal, section)
        for line in sensor_lines(matches, section.body):
            terminal.print(line, "dim")
        for fit in matches.clocks:
            if fit.body == section.body and fit.tells:
                style = "dim" if fit.settled and fit.agrees else "yellow"
                terminal.print(f"the clock of {clock_words(fit)}", style)
        terminal.print()
    terminal.print(_totals(matches))
    if told := evidence_line(matches):
        terminal.say(told)
    _show_idle(terminal, matches)
    meanings = [(word, [(meaning, "dim")]) for word, meaning in words_in(matches)]
    terminal.table([Column("", 16), Column("")], meanings, heading=False, by=2)
    is_long = sum(len(section.runs) for section in found) > _LONG
    _show_cases(terminal, [case for case in cases if is_long or case.clock is not None])


def _show_idle(terminal: Terminal, matches: Matches) -> None:
    """Prints which entries met no frame, but for `off`, as it stands at an outing's end."""
    idle = [(setting, text) for setting, text in matches.idle if setting.lens is not None]
    for setting, text in idle[:_MOST_IDLE]:
        terminal.print(f"no frame: line {setting.line} ({text})", "yellow")
    if len(idle) > _MOST_IDLE:
        terminal.say(f"no frame: {len(idle) - _MOST_IDLE} more; --report shows the log", "yellow")


def evidence_line(matches: Matches) -> str:
    """How many frames evidence told, by its kinds; empty where it told none."""
    counts = Counter(found.by for found in matches.frames if found.outcome.is_filled)
    names = {Source.LIGHT: "light", Source.PAUSE: "pauses", Source.REGISTERED: "registered values"}
    told = [f"{counts[source]} by {name}" for source, name in names.items() if counts[source]]
    return f"told by evidence: {listed(told)}" if told else ""


def _show_cases(terminal: Terminal, cases: Sequence[Case]) -> None:
    """Prints what to write at the end of the log for each case that a line settles."""
    if cases:
        terminal.say("\nTo settle, at the end of the log or as it says:", "bold")
        columns = (Column("frames", _NAMES), Column("outcome", 10, whole=True), Column("line"))
        rows = [row for case in cases[:_MOST_CASES] for row in _case_rows(case)]
        terminal.table(columns, rows)
    if len(cases) > _MOST_CASES:
        terminal.say(f"and {len(cases) - _MOST_CASES} more; --report has a page of them")


def _case_rows(case: Case) -> Iterator[tuple[Text, Text, Text]]:
    """A case with the lines of its first answer, and what else there is."""
    first, *others = case.answers or (None,)
    reason = case.notes[0].text if case.clock is not None else case.run.first.reason
    *lines, last = first.lines if first else (case.advice or reason or "a look at the frame",)
    last += f" {first.where}" if first and first.where else ""
    more = f"one of {len(others)} others" if len(others) > 1 else "another" if others else ""
    last += f" (or {more})" if more else ""
    last += f"; {case.advice}" if first and case.advice else ""
    styled = [(case.outcome, _STYLES.get(case.outcome, ""))]
    heads: tuple[Text, Text] = (shortened(case.title, _NAMES), styled)
    for line in (*lines, last):
        yield (*heads, line)
        heads = "", ""


def _show_section(terminal: Terminal, section: Section) -> None:
    model = f"  {section.model}" if section.model else ""
    terminal.print([(section.title, "bold"), (model, "")])
    layout = _layout(section, terminal.width)
    terminal.table(layout.columns)
    for day, runs in groupby(section.runs, key=lambda run: run.day):
        if layout.says_days:
            terminal.say(day, "dim")
        rows = []
        for run in runs:
            rows.append(_cells(run, layout))
            if run.notes:
                terminal.table(layout.columns, rows, heading=False)
                rows = []
            for note in run.notes:
                terminal.print(_note(note), by=4)
        if rows:
            terminal.table(layout.columns, rows, heading=False)


class _Layout(NamedTuple):
    """The columns of a body's table, for the terminal's width.

    `short` leaves out when a row ends, `full` names lenses in full; `says_days` puts each day on a
    line of its own.
    """

    columns: tuple[Column, ...]
    names: int
    short: bool
    full: bool
    says_days: bool


def _layout(section: Section, width: int) -> _Layout:
    short, full = width < _USUAL_WIDTH, width >= _USUAL_WIDTH + 30
    names, lens, figures = (14, 12, 4) if short else (_NAMES, 12, 6)
    if full:
        names = min(max(_NAMES, *(len(run.names) for run in section.runs)), 40)
        lens = max(lens, *(len(run.fill.lens.name) for run in section.runs if run.fill), 0)
    days = section.days
    columns = (
        Column("frames", names),
        Column("count", 5, right=True),
        Column("from" if short else days[0] if len(days) == 1 else "time", 5 if short else 11),
        Column("outcome", 10, whole=True),
        Column("lens", min(lens, max(width - names - 50, 12))),
        Column("f/", figures, right=True),
        Column("mm", figures, right=True),
    )
    return _Layout(columns, names, short, full, len(days) > 1 or (short and bool(days)))


def _cells(run: Run, layout: _Layout) -> Iterator[Text]:
    yield shortened(run.names, layout.names)
    yield str(len(run.frames))
    yield run.times[:5] if layout.short else run.times
    yield [(run.outcome, _STYLES.get(run.outcome, ""))]
    if run.fill is not None:
        yield run.fill.lens.name if layout.full else run.fill.lens.key
        for value in (run.fill.f_number, run.fill.focal_length):
            yield "" if value is None else number(value)


def _note(note: Note) -> Text:
    if not note.kind:
        return [(note.text, "dim")]
    some = f" ({note.some})" if note.some else ""
    return [(f"{note.kind}: ", "yellow"), (note.text, ""), (some, "dim")]


def matches_line(matches: Matches) -> str:
    """How many frames came to what, without colours."""
    return "".join(text for text, _ in _totals(matches))


def _totals(matches: Matches) -> Sequence[tuple[str, str]]:
    """How many frames came to what, each outcome in its style."""
    pieces = [(f"{count(len(matches.frames), 'frame')}: ", "")]
    for n, (outcome, frames) in enumerate(matches.totals.items()):
        pieces += [(", " * (n > 0), ""), (f"{frames} {outcome}", _STYLES.get(outcome, ""))]
    return pieces


def show_outings(
    terminal: Terminal, rows: Iterable[tuple[str, str, bool]], outside: Sequence[str] = ()
) -> None:
    """Prints how each of several outings came out, whether it did, and what lies in none."""
    cells = ((name, [(told, "" if done else "red")]) for name, told, done in rows)
    terminal.table([Column("outing", 20), Column("")], cells)
    if outside:
        told = count(len(outside), "file stays behind that lies", "files stay behind that lie")
        terminal.print(f"{told} in no outing: {some_of(outside)}", "yellow")


def show_filled(terminal: Terminal, filled: Filled, out: str) -> None:
    """Prints the outcomes, then what became of the copies."""
    show_matches(terminal, filled.matches)
    for copy in filled.failed:
        kept = "the frame is copied as it is" if copy.copy else "it has no copy: run this again"
        terminal.print(f"{copy.failure}; {kept}", "red")
    terminal.say(_copies(filled, f" in {out}"))
    bare = sum(not copy.keeps_attributes for copy in filled.copies)
    if bare:
        told = f"{count(bare, 'copy has', 'copies have')} not the frame's mode, times or attributes"
        terminal.print(f"{told}: the disk doesn't take them")
    if filled.older:
        who = count(filled.older, "copy states", "copies state")
        told = f"{who} an Exif version older than 2.3, which had no lens tags"
        terminal.print(f"{told}: they are written all the same")
    show_others(terminal, filled.others)


def show_sealed(terminal: Terminal, matches: Matches) -> None:
    """Prints which frames to be filled are under a seal, and what `fill` does about them."""
    sealed = [one.frame.stem for one in matches.frames if one.would_break_seal]
    if sealed:
        told = f"{count(len(sealed), 'frame is', 'frames are')} under a seal (C2PA)"
        left = "a change would break it, so fill makes sidecars where they name no other lens"
        terminal.print(f"{told}: {left} (--break-seal writes in): {some_of(sealed, 12)}")


def show_others(terminal: Terminal, others: OtherFiles) -> None:
    """Prints how many files beside the frames were copied, or stay behind."""
    kinds = others.kinds_copied if others.copied else others.kinds
    told = count(sum(kinds.values()), "other file")
    listing = ", ".join(f"{number} {kind}" for kind, number in kinds.items())
    if kinds and others.copied:
        terminal.print(f"{told} copied and verified too: {listing}")
    elif kinds:
        verb = "stays" if len(others.files) == 1 else "stay"
        terminal.print(f"{told} {verb} behind: {listing} (fill --others copies them too)")
    for told in left_lines(others):
        terminal.print(told, "red")


def left_lines(others: OtherFiles) -> Sequence[str]:
    """Which files beside the frames can't be copied, and why."""
    return [f"{file} isn't copied: {why}" for file, why in others.left.items()]


def show_preview(terminal: Terminal, planned: Sequence[FramePreview], out: str) -> None:
    """Prints what `fill` would do about the copies in a folder."""
    from flangeback.copies.model import Action

    counts = Counter(one.action for one in planned)
    worse: dict[str, list[str]] = {}
    for one in (one for one in planned if one.losses or one.changes):
        parts = {_PARTS.get(tag, "lens") for tag in one.losses or one.changes}
        named = listed(part for part in ("lens", "f-number", "focal length") if part in parts)
        what = f"lose {named}" if one.losses else f"have {named} changed"
        worse.setdefault(what, []).append(one.match.frame.file)
    for what, files in worse.items():
        told = f"{count(len(files), 'copy', 'copies')} would {what}: {some_of(files)}"
        terminal.print(told, "yellow")
    if worse:
        terminal.say(
            "`fill` stops before it takes values out, or changes more copies than gain any, "
            "unless --take-back is given"
        )
    told = ", ".join(f"{counts[action]} {action}" for action in Action if counts[action])
    terminal.say(f"fill --into {out}: {told}")


def filled_line(filled: Filled) -> str:
    """What a run came to, in a line."""
    return f"{matches_line(filled.matches)}; {_copies(filled, '')}"


def _copies(filled: Filled, place: str) -> str:
    resumed = sum(copy.resumed or bool(copy.noted) for copy in filled.copies)
    made = sum(copy.verified and not (copy.resumed or copy.noted) for copy in filled.copies)
    told = f"{count(made, 'copy', 'copies')} made and verified{place}"
    if resumed:
        told += f"; {resumed} stood there already"
    if filled.failed:
        told += f"; {len(filled.failed)} failed the proof"
    return told


def show_verified(terminal: Terminal, verified: Verified, out: Path) -> None:
    """Prints which copies failed, how many didn't, and what helps."""
    from flangeback.copies.model import SourceNow
    from flangeback.report.proof import remarks, remedies

    if verified.mended is not None:
        _show_files(terminal, "made again", verified.mended.made)
        _show_files(terminal, "noted as it is now", verified.mended.noted)
        for file, why in verified.mended.left.items():
            terminal.print(f"{file}: {why}", "yellow")
    for copy in verified.failed:
        terminal.print(f"{copy.copy}: {copy.failure}", "red")
    touched = [copy.copy for copy in verified.copies if copy.is_touched]
    told = "changed by another program, the picture and the values written still in place"
    _show_files(terminal, told, touched, "yellow")
    changed = [copy.copy for copy in verified.copies if copy.source == SourceNow.CHANGED]
    _show_files(terminal, "sound, but made of frames that changed since", changed, "yellow")
    terminal.say(verified_line(verified, f" in {out}"))
    if any(copy.source == SourceNow.AWAY for copy in verified.copies):
        terminal.print("not all frames are at hand: --frames says where they lie now", "dim")
    by_remedy: dict[str, list[str]] = {}
    for name, told in remedies(verified, out).items():
        by_remedy.setdefault(told, []).append(name)
    for told, names in by_remedy.items():
        terminal.say(f"{some_of(names)}: {told}")  # It has a command to paste.
    for told in remarks(verified):
        terminal.print(told, "yellow")
    for folder in verified.folders:
        terminal.print(f"passed over: {folder}, a folder of copies of its own", "dim")
    _show_files(terminal, "gone, and so are their frames", verified.culled, "dim")
    _show_files(terminal, "not in the manifest", verified.strangers, "dim")


def _show_files(terminal: Terminal, told: str, files: Sequence[str], style: str = "") -> None:
    if files:
        terminal.print(f"{told}: {some_of(files)}", style)


def verified_line(verified: Verified, place: str = "") -> str:
    """How many copies passed, and by what."""
    sound = [copy for copy in verified.copies if copy.failure is None]
    alone = sum(copy.source in ("changed", "not at hand") for copy in sound)
    told = f"{len(sound)} of {count(len(verified.copies), 'copy', 'copies')}{place} verified"
    return told + (f", {alone} by digest alone" if alone else "")


def show_tour(terminal: Terminal, tour: Tour) -> None:
    """Prints the made-up outing's way through match, fill and verify."""
    from flangeback.report.proof import proof_of

    frames, out = str(tour.outing.frames), str(tour.out)
    terminal.print([("The session log", "bold"), (f"   {tour.outing.log}", "dim")])
    terminal.print(tour.outing.log.read_text("utf-8").rstrip(), by=2)
    terminal.print()
    show_filled(terminal, tour.filled, out)
    show_verified(terminal, tour.verified, tour.out)
    terminal.print()
    proof = proof_of(tour.filled, tour.out)
    terminal.print(proof.shown, "bold")
    rows = (
        (tag.name, [(tag.before, "dim")], [(tag.after, "green" * (tag.before != tag.after))])
        for tag in proof.changes
    )
    terminal.table([Column("tag"), Column("before"), Column("after")], rows, gap=2)
    terminal.print()
    terminal.say("To play with it:", "bold")
    page = str(tour.out.parent / "page.html")
    match, fill = ("match", frames, "--report", page), ("fill", frames, "--into", out)
    for words in (match, fill, ("verify", out)):
        terminal.say(f"  {command(*words)}")
