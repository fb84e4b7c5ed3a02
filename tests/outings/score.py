"""Score matching on made outings: a row for each kind.

    python tests/outings/score.py [--kinds honest,clock_hour] [--seeds 5] [--first 0]
        [--generator field|waves|weather] [--show wrong] [--keep DIR] [--no-gain]

Outings are made with the seeds FIRST, FIRST + 1 and so on, and matched by the command itself, in
this process. With --keep the outings stay in DIR and are used again as long as the generators
are the same. --show wrong lists each frame with a wrong value, --show doubted each frame that has a
`light-step` without reason, --show failed each outing that could not be matched.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from outings.counting import A_STOP, Counts, Judged, count, judge
from outings.generators import GENERATORS, Generator, generators_digest, match
from support.commands import run
from support.outing_truth import TRUTH, OutingTruth, read_truth

ALONE = "--by-log-alone"
Row = tuple[str, Counts]


def chosen(kinds: Mapping[str, str], words: str) -> list[str]:
    """Kinds by name or group, in their own order. Raises ValueError for a word that is neither."""
    asked = set(words.split(",")) if words else set(kinds)
    unknown = asked - set(kinds) - set(kinds.values())
    if unknown:
        raise ValueError(
            f"no such kind: {', '.join(sorted(unknown))}; there are {', '.join(kinds)}"
        )
    return [kind for kind, group in kinds.items() if kind in asked or group in asked]


def outing_folder(generator: Generator, kind: str, seed: int, room: Path) -> Path:
    """The folder of one outing, made where it isn't there as a whole."""
    folder = room / f"{kind}-{seed}"
    if not (folder / TRUTH).is_file():
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        generator.make(kind, seed, folder)
    return folder


def has_alone() -> bool:
    return ALONE in run("match", "--help").out


def percent(part: int, whole: int, digits: int = 1) -> str:
    return f"{100 * part / whole:.{digits}f}" if whole else "-"


def share(part: int, whole: int) -> str:
    return f"{part}/{whole}" if whole else "-"


def per_ten_thousand(part: int, whole: int) -> str:
    return f"{10_000 * part / whole:.1f}" if whole else "-"


COLUMNS: tuple[tuple[str, Callable[[Counts], str]], ...] = (
    ("outings", lambda c: f"{c.outings}"),
    ("failed", lambda c: f"{c.failed}"),
    ("frames", lambda c: f"{c.frames}"),
    ("lens ok%", lambda c: percent(c.lens_right, c.frames)),
    ("wrong%", lambda c: percent(c.lens_wrong, c.frames, 2)),
    ("unmarked", lambda c: f"{c.lens_unmarked}"),
    ("f ok%", lambda c: percent(c.f_right, c.frames)),
    ("wrong/10k", lambda c: per_ten_thousand(c.f_wrong, c.frames)),
    ("unmarked", lambda c: f"{c.f_unmarked}"),
    ("stale/10k", lambda c: per_ten_thousand(c.stale, c.frames)),
    ("unmarked", lambda c: f"{c.stale_unmarked}"),
    ("clock?", lambda c: f"{c.clock_unsure}/{c.outings}"),
    ("offset", lambda c: share(c.offsets_right, c.offsets)),
    ("steps true", lambda c: share(c.step_runs_true, c.step_runs)),
    ("false%", lambda c: percent(c.step_frames_false, c.frames, 2)),
    ("forgot found", lambda c: share(c.forgotten_found, c.forgotten)),
    ("slates", lambda c: share(c.slates_found, c.slates)),
    ("false", lambda c: f"{c.slates_false}"),
    ("estimates", lambda c: share(c.estimates_right, c.estimates)),
    ("lens gain%", lambda c: percent(c.lens_gained, c.alone_lens_blank)),
    ("f gain%", lambda c: percent(c.f_gained, c.alone_f_blank)),
)
LEGEND = """
ok, wrong: shares of all frames with an adapted lens; the rest is blank. wrong lenses include native
and slate frames that got one. unmarked: wrong without any doubt. stale: f-number wrong since a turn
wasn't noted (wrong/10k leaves those out). clock?: outings with clock-unsure. offset: bodies with a
wrong clock whose right offset is proposed. steps true: rows of light-step with a forgotten turn of
a stop or more behind them, of all rows; false%: frames with light-step and no such turn. forgot
found: forgotten turns of a stop or more that have a light-step. estimates: ranges that hold the
true f-number. gain: values right, of those that --by-log-alone leaves blank."""


def table(rows: Iterable[Row]) -> str:
    cells = [["kind", *(title for title, _ in COLUMNS)]]
    cells += [[name, *(shown(counts) for _, shown in COLUMNS)] for name, counts in rows]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if number else cell.ljust(width)
            for number, (cell, width) in enumerate(zip(line, widths, strict=True))
        )
        for line in cells
    )


def sums(kinds: Mapping[str, str], rows: Sequence[Row]) -> Iterable[Row]:
    for group in dict.fromkeys(kinds.values()):
        own = [counts for kind, counts in rows if kinds[kind] == group]
        if len(own) > 1:
            yield f"all {group}", sum(own, Counts())


def shown_frames(truth: OutingTruth, judged: Sequence[Judged], what: str) -> Iterable[str]:
    for one in judged:
        wrong = one.lens_wrong or one.f_wrong
        doubted = "light-step" in one.doubts and one.forgot < A_STOP
        if not (wrong if what == "wrong" else doubted):
            continue
        true = "slate" if one.truth.slate else f"{one.truth.lens} f/{one.truth.f_number:g}"
        got = f"{one.lens} f/{one.f_number or '?'} by {one.answer.get('by')}"
        because = " after a forgotten turn" if one.forgot else ""
        doubts = ", ".join(sorted(one.doubts)) or "no doubt"
        yield (
            f"{truth.kind} {truth.seed} {one.truth.file}: {got} (line "
            f"{one.answer.get('log_line')}), true {true}{because}; {doubts}"
        )


def score_kind(
    generator: Generator, kind: str, seeds: Iterable[int], room: Path, options: argparse.Namespace
) -> Counts:
    total = Counts()
    for seed in seeds:
        folder = outing_folder(generator, kind, seed, room)
        truth = read_truth(folder)
        code, document, said = match(folder)
        alone = match(folder, (ALONE,))[1] if options.gain else None
        total += count(truth, document, alone)
        if options.show == "failed" and document is None:
            print(f"{kind} {seed}: exit {code}: {said}")
        elif options.show in ("wrong", "doubted") and document is not None:
            for line in shown_frames(truth, judge(truth, document), options.show):
                print(line)
        if not options.keep:
            shutil.rmtree(folder)
    return total


def read_options(words: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--kinds", default="", help="kinds and groups, with commas")
    parser.add_argument("--seeds", type=int, default=5, help="how many outings of each kind")
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--generator", choices=GENERATORS, default="field")
    parser.add_argument("--show", choices=("wrong", "doubted", "failed"))
    parser.add_argument("--keep", type=Path, metavar="DIR")
    parser.add_argument("--no-gain", dest="gain", action="store_false")
    return parser.parse_args(words)


def main(words: Sequence[str] | None = None) -> int:
    options = read_options(words)
    generator = GENERATORS[options.generator]
    try:
        kinds = chosen(generator.kinds, options.kinds)
    except ValueError as error:
        print(f"score: {error}", file=sys.stderr)
        return 2
    options.gain = options.gain and has_alone()
    started, rows = time.monotonic(), list[Row]()
    with tempfile.TemporaryDirectory(prefix="outings") as place:
        room = Path(place)
        if options.keep:
            room = options.keep / f"{options.generator}-{generators_digest()}"
        for kind in kinds:
            seeds = range(options.first, options.first + options.seeds)
            rows.append((kind, score_kind(generator, kind, seeds, room, options)))
            print(f"{kind} done after {time.monotonic() - started:.0f} s", file=sys.stderr)
    print(table([*rows, *sums(generator.kinds, rows)]))
    print(LEGEND)
    return 0


if __name__ == "__main__":
    sys.exit(main())
