"""The card as a page to print on A6: one sheet per body, HTML and CSS alone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from flangeback.kit.card import Card, CardLine
from flangeback.report.kit_text import RINGS, f_range, span

GENERATOR = '<meta name="generator" content="flangeback kit card">'
"""Marks a page as flangeback's own."""

# A6 is 105 x 148 mm (ISO 216).
_STYLE = """
@page { size: 105mm 148mm; margin: 6mm; }
* { box-sizing: border-box; }
body { margin: 0; color: #000; background: #fff;
       font: 8pt/1.25 "Helvetica Neue", Arial, "Liberation Sans", sans-serif; }
section { break-after: page; display: flex; flex-direction: column; min-height: 135mm; }
section > * { flex: none; }
section:last-of-type { break-after: auto; }
h1 { margin: 0; font-size: 13pt; line-height: 1.1; }
h1 small { font-size: 8pt; font-weight: normal; }
p { margin: 1mm 0 2mm; }
table { width: 100%; border-collapse: collapse; }
th { padding: 0 1mm 0.7mm 0; border-bottom: 0.4mm solid #000; font-size: 6.5pt;
     font-weight: normal; text-align: left; vertical-align: bottom; }
td { padding: 1mm 1mm 0 0; vertical-align: baseline; overflow-wrap: anywhere; }
tbody { break-inside: avoid; border-bottom: 0.1mm solid #888; }
td.key, th.key { text-align: right; padding-right: 2mm; white-space: nowrap; }
td.key { font-size: 13pt; font-weight: bold; line-height: 1; }
td.zoom { font-size: 10pt; }
td.figure, th.figure { text-align: right; white-space: nowrap; }
td:last-child, th:last-child { padding-right: 0; }
td.lens { font-weight: bold; }
td.note { padding: 0 0 1mm; font-size: 6.5pt; }
footer { margin-top: auto; padding-top: 2mm; font-size: 6.5pt; }
footer ul { margin: 0; padding: 1mm 0 0 3.5mm; border-top: 0.2mm solid #000; }
@media screen {
  html { background: #ddd; }
  body { background: none; }
  section { width: 105mm; min-height: 148mm; margin: 6mm auto; padding: 6mm; background: #fff; }
}
"""


def card_page(cards: Sequence[Card]) -> str:
    """The whole HTML document."""
    titles = ", ".join(card.body.model or card.body.key for card in cards)
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            GENERATOR,
            '<meta name="viewport" content="width=device-width">',
            f"<title>Card: {escape(titles)}</title>",
            f"<style>{_STYLE}</style>",
            "</head>",
            "<body>",
            *(line for card in cards for line in _section(card)),
            "</body>",
            "</html>",
            "",
        ]
    )


def _section(card: Card) -> Iterator[str]:
    body = card.body
    yield "<section>"
    small = escape(f"{body.key}, {body.mount}")
    yield f"<h1>{escape(body.model or body.key)} <small>{small}</small></h1>"
    yield (
        "<p>Key the focal length into the stabiliser as it stands here: "
        "never the 35 mm equivalent.</p>"
    )
    yield from _table(card.lines)
    if card.left_out:
        names = ", ".join(lens.key for lens in card.left_out)
        yield f"<p>No adapter in the kit: {escape(names)}.</p>"
    yield "<footer><ul>"
    yield from (f"<li>{escape(caution)}</li>" for caution in card.cautions)
    yield "</ul></footer>"
    yield "</section>"


def _table(lines: Sequence[CardLine]) -> Iterator[str]:
    if not lines:
        return
    yield "<table>"
    yield (
        '<thead><tr><th class="key">key in<br>mm</th><th>lens</th><th>aperture</th>'
        '<th class="figure">f/</th><th class="figure">35 mm<br>equivalent</th></tr></thead>'
    )
    for line in lines:
        yield "<tbody>"
        yield from _row(line)
        yield "</tbody>"
    yield "</table>"


def _row(line: CardLine) -> Iterator[str]:
    kind = "key zoom" if len(line.key_in) > 1 else "key"
    yield (
        f'<tr><td class="{kind}">{escape(span(line.key_in))}</td>'
        f'<td class="lens">{escape(line.lens.key)}</td>'
        f"<td>{escape(RINGS[line.way.aperture])}</td>"
        f'<td class="figure">{escape(f_range(line.way))}</td>'
        f'<td class="figure">{escape(span(line.equivalents) or "?")}</td></tr>'
    )
    via = f"via {line.way.name}" if line.way.adapters else "no adapter"
    texts = (line.lens.name, via, *line.notes)
    yield f'<tr><td></td><td class="note" colspan="4">{escape("; ".join(texts))}</td></tr>'
