"""The page that `match` and `fill` write: the outcomes, to keep with the outing or to print."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from pathlib import Path

from flangeback.copies.model import Filled
from flangeback.match.model import Matches
from flangeback.report.pages import write_page
from flangeback.report.runs import Run, Section, sections, three_digits
from flangeback.report.sensor_lines import sensor_lines

_MARK = '<meta name="generator" content="flangeback frames">'
"""What the page is known by, so that it may be written over."""

_STYLE = """
:root { color-scheme: light dark }
body { font: 15px/1.45 system-ui, sans-serif; max-width: 56rem; margin: 2rem auto; padding: 0 1rem }
h1 { font-size: 1.5rem; margin: 0 0 .3rem }
h2 { font-size: 1.15rem; margin: 1.8rem 0 .3rem }
h2 span, .note, .day td, footer { color: #777; font-weight: normal }
table { border-collapse: collapse; width: 100% }
th, td { text-align: left; padding: .18rem .7rem .18rem 0; vertical-align: top }
th { font-weight: normal; color: #777; border-bottom: 1px solid #bbb }
th.n, td.n { text-align: right; font-variant-numeric: tabular-nums }
tr.note td { padding: 0 0 .3rem 1.5rem; font-size: .92em }
.day td { padding-top: .6rem }
.fill, .agree { color: #1a7f37 }
.partial, .unsure, .unlogged { color: #9a6700 }
.conflict, .unreadable { color: #cf222e }
b.kind { font-weight: 600; color: #9a6700 }
tr { break-inside: avoid }
@media print { body { margin: 0; max-width: none } }
"""

_CAUTION = "Keep the originals until the copies are in the catalogue and backed up."


def write_match_page(path: Path, matches: Matches, folder: str, filled: Filled | None) -> None:
    """Writes the page for the frames of `folder`; `filled` adds what became of the copies.

    Raises InputError when another's file is in the way, or it can't be written.
    """
    write_page(path, "\n".join(_page(matches, folder, filled)) + "\n", _MARK)


def _page(matches: Matches, folder: str, filled: Filled | None) -> Iterator[str]:
    yield "<!doctype html>"
    yield f'<html lang="en"><head><meta charset="utf-8">{_MARK}'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<title>{escape(folder)}: lens data</title><style>{_STYLE}</style></head><body>"
    yield f"<h1>{escape(folder)}</h1>"
    totals = ", ".join(
        f'<span class="{outcome}">{count} {outcome}</span>'
        for outcome, count in matches.totals.items()
    )
    yield f"<p>{len(matches.frames)} frames: {totals}</p>"
    if filled is not None:
        yield from _copies(filled)
    for section in sections(matches):
        yield from _section(section)
        for line in sensor_lines(matches, section.body):
            yield f'<p class="note">{escape(line)}</p>'
    yield f"<footer><p>{_CAUTION}</p></footer></body></html>"


def _copies(filled: Filled) -> Iterator[str]:
    verified = sum(copy.verified for copy in filled.copies)
    yield f"<p>{verified} of {len(filled.copies)} copies verified</p>"
    for copy in filled.failed:
        yield f'<p class="unreadable">{escape(copy.failure or "")}; removed</p>'


def _section(section: Section) -> Iterator[str]:
    model = f" <span>{escape(section.model)}</span>" if section.model else ""
    yield f"<h2>{escape(section.title)}{model}</h2>"
    yield "<table><thead><tr><th>frames</th><th class=n>count</th><th>time</th><th>outcome</th>"
    yield "<th>lens</th><th class=n>f/</th><th class=n>mm</th><th class=n>35 mm</th>"
    yield "<th class=n>line</th></tr></thead><tbody>"
    day = None
    for run in section.runs:
        if run.day != day:
            day = run.day
            yield f'<tr class="day"><td colspan="9">{day}</td></tr>'
        yield _row(run)
        yield from _notes(run)
    yield "</tbody></table>"


def _row(run: Run) -> str:
    fill = run.fill
    numbers = (
        three_digits(fill.f_number) if fill else "",
        three_digits(fill.focal_length) if fill else "",
        str(fill.focal_length_35mm or "") if fill else "",
        str(run.first.log_line or ""),
    )
    cells = (
        f"<td>{escape(run.names)}</td><td class=n>{len(run.frames)}</td><td>{run.times}</td>"
        f'<td class="{run.outcome}">{run.outcome}</td>'
        f"<td>{escape(fill.lens.name) if fill else ''}</td>"
    )
    return "<tr>" + cells + "".join(f"<td class=n>{number}</td>" for number in numbers) + "</tr>"


def _notes(run: Run) -> Iterator[str]:
    for note in run.notes:
        kind = f'<b class="kind">{note.kind}</b> ' if note.kind else ""
        some = f" ({escape(note.some)})" if note.some else ""
        yield f'<tr class="note"><td colspan="9">{kind}{escape(note.text)}{some}</td></tr>'
