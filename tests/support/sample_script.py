"""What a script of a user's does with the library; type checkers check it as it stands."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path

import flangeback


def filled_folder(folder: Path, out: Path) -> flangeback.Verified:
    """The whole line on one folder: read, match, fill, verify."""
    session: flangeback.Session = flangeback.read_session(folder)
    matches: flangeback.Matches = flangeback.match_frames(
        session.frames, session.logs, session.kit, pictures=flangeback.read_picture
    )
    for found in matches.frames:
        if found.outcome is flangeback.Outcome.UNSURE:
            explained: flangeback.Explanation = flangeback.explain(
                found.frame.file, matches, session.logs
            )
            print(explained.entry, [doubt.text for doubt in found.doubts])
    filled: flangeback.Filled = flangeback.fill(
        matches, folder, out, flangeback.FillOptions(flangeback.RawMode.EMBED)
    )
    copies: Sequence[flangeback.FrameCopy] = filled.failed
    print(len(copies))
    return flangeback.verify(out)


def values_of(kit: flangeback.Kit, lens: str, adapter: str) -> Sequence[flangeback.TagValue]:
    """The tags that a fill of the caller's own comes to."""
    fill: flangeback.Fill = flangeback.make_fill(
        kit.lenses[lens], kit.adapters[adapter], None, Decimal("5.6"), None
    )
    return flangeback.decide(fill)


def stabiliser(kit: flangeback.Kit) -> dict[str, Sequence[flangeback.CardLine]]:
    """What to key in, by body."""
    return {card.body.key: card.lines for card in flangeback.cards(kit)}
