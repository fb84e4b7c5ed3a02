"""What the shell completes: names of frames, keys of a kit, words of an entry."""

from __future__ import annotations

from pathlib import Path

import typer

_MOST = 500


def frame_names(ctx: typer.Context, incomplete: str) -> list[str]:
    """Frames of the folder named before, by their stems."""
    # What stands before an option that is still to be completed isn't taken for arguments yet.
    folder = next(iter([*(ctx.params.get("folders") or ()), *ctx.args]), None)
    if folder is None:
        return []
    found = sorted(
        path.stem
        for path in Path(folder).rglob("*")
        if path.stem.casefold().startswith(incomplete.casefold()) and path.suffix
    )
    return [name for name in dict.fromkeys(found) if name[-1:].isdigit()][:_MOST]


def entry_words(ctx: typer.Context, incomplete: str) -> list[str]:
    """Keys of the kit beside the log, or of the one named, and the log's own words."""
    from flangeback.errors import InputError
    from flangeback.kit import places, read_kit
    from flangeback.log.vocabulary import KEYWORDS, PLAIN_WORDS

    log, kit = ctx.params.get("log"), ctx.params.get("kit")
    given = Path(kit) if kit else None
    try:
        keys = list(read_kit(places.kit_file(given, Path(log or ".").parent)).keys())
    except InputError:
        keys = []
    words = (*keys, *PLAIN_WORDS, "f/?", *KEYWORDS)
    return [word for word in words if word.startswith(incomplete)]
