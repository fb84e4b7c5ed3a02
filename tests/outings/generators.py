"""The generators of outings, and the matching of what they make. Priors of the program are tuned on
`field` alone; `waves` and `weather` were made apart from it and from each other."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from support import field_outings, outing_truth, waves_outings, weather_outings
from support.commands import run
from support.outing_truth import FRAMES, Document, OutingTruth


@dataclass(frozen=True)
class Generator:
    """Makes outings whose truth is known. `kinds` has each kind and its group; `make` makes one by
    kind and seed in a folder that exists and is empty."""

    kinds: Mapping[str, str]
    make: Callable[[str, int, Path], OutingTruth]


GENERATORS: Mapping[str, Generator] = {
    "field": Generator(
        {kind: group for kind, (group, _) in field_outings.KINDS.items()}, field_outings.make
    ),
    "waves": Generator({k: v.group for k, v in waves_outings.KINDS.items()}, waves_outings.make),
    "weather": Generator(
        {k: v.group for k, v in weather_outings.KINDS.items()}, weather_outings.make
    ),
}


def match(folder: Path, options: Sequence[str] = ()) -> tuple[int, Document | None, str]:
    """`flangeback match --json` of the outing in the folder: exit code, document if there is one,
    and what was said on standard error."""
    try:
        ran = run("match", folder / FRAMES, "--json", *options)
    except Exception as error:  # a traceback of the command is a failed outing, not ours
        return -1, None, f"{type(error).__name__}: {error}"
    try:
        document = json.loads(ran.out)
    except ValueError:
        return ran.code, None, ran.err
    return ran.code, document if "frames" in document else None, ran.err


def generators_digest() -> str:
    """Changes with the modules that make outings."""
    folder = Path(outing_truth.__file__).parent
    sources = sorted(
        path
        for name in ("field", "outing", "waves", "weather")
        for path in folder.glob(f"{name}_*.py")
    )
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()[:12]
