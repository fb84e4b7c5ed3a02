"""The kit file: TOML in, a [Kit] or every fault at once out."""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple, TypeGuard

from flangeback.errors import InputError, Problem, nearest
from flangeback.kit import fields as read
from flangeback.kit.fields import FieldFault, FieldRule
from flangeback.kit.model import Adapter, AdapterKind, Body, Kit, Lens
from flangeback.kit.mounts import adapter_thickness, mount_named
from flangeback.kit.stacks import understood_adapters
from flangeback.kit.toml_faults import load
from flangeback.system import read_text_file

RESERVED_WORDS = frozenset(
    {"date", "zone", "clock", "slack", "overnight", "first", "then", "slate", "not-slate", "all"}
    | {"off", "open", "via", "fast", "slow", "right", "shows", "sure", "am", "pm"}
)
"""Words of the session log that no key may take."""
_READS_AS = (
    (re.compile(r"\d{1,2}([:.]\d{2})+([ap]m)?|\d{1,2}h\d{2}", re.I), "a time"),
    (re.compile(r"[fƒ][/:]?[\d?].*|1:\d.*|\d{1,2}[.,]\d", re.I), "an f-number"),
    (re.compile(r"\d+([.,]\d+)?mm", re.I), "a focal length"),
    (re.compile(r"t/?\d+([.,]\d+)?", re.I), "a T-stop"),
    (re.compile(r".*\.\..*"), "a range of frames"),
)
_A_TABLE = re.compile(r"^[^\S\n]*\[", re.M)
_A_HEADER = re.compile(r"\s*\[+([^\]]*)\]")
_LOG_LINE = re.compile(r"^(?:date|zone|clock|slack|slate|first|\d{1,2}[:.h]\d{2})\b[^=\n]*$", re.M)
"""How a session log may begin a line, and a kit file never does."""
_LONGEST_LINE = 10_000
"""Characters. The time that TOML's reader takes grows with the square of the parts of a key."""
_NOT_IN_A_KEY = re.compile(r"[\s\"'#,;]")
_Places = dict[tuple[str, str | None], int]
"""The line of each table and of each field in it."""
_Placed = tuple[str, str | None, FieldFault]
"""A table, a field of it, what is wrong there."""
_Values = Mapping[str, Any]
_Faults = Iterator[tuple[str, FieldFault]]
_FACTORS = {
    "reducer": ("for a reducer one below 1, such as 0.71", Decimal("0.3"), Decimal("0.999")),
    "extender": ("for an extender one above 1, such as 1.4", Decimal("1.001"), Decimal(4)),
}


def read_kit(path: Path) -> Kit:
    """Read a kit file. Raises InputError with every fault, by table and field."""
    try:
        text = kit_text(read_text_file(path), path)
    except FileNotFoundError:
        expected = "a TOML file, as `kit add` begins one; see --kit"
        raise InputError.at(path, "there is no such kit file", expected) from None
    return parse_kit(text, str(path))


def kit_text(content: bytes, path: Path) -> str:
    """A kit file's text, without a byte-order mark. Raises InputError where it isn't UTF-8."""
    try:
        return content.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        raise InputError.at(path, f"isn't UTF-8 text (byte {error.start})") from None


def parse_kit(text: str, file: str = "kit.toml") -> Kit:
    """The kit that this TOML text describes. Raises InputError with every fault found."""
    if (line := _LOG_LINE.search(text)) and not _A_TABLE.search(text):
        number = text.count("\n", 0, line.start()) + 1
        source, expected = line[0].rstrip(), "a kit file; a session log goes with --log"
        told = "this is a session log, not a kit"
        raise InputError(Problem(file, told, number, 1, len(source), source, expected))
    try:
        if max(map(len, text.splitlines()), default=0) > _LONGEST_LINE:
            raise ValueError("a line is too long")
        data, text, problems = load(text, file)
    except (ArithmeticError, ValueError, RecursionError):
        # TOML sets no limits, Python does: thousands of digits or of nested brackets.
        expected = "numbers of a few digits, and no list in a list"
        raise InputError.at(file, "is too big to be a kit", expected) from None
    faults: list[_Placed] = []
    kit = _kit(data, file, faults)
    places = _places(text.splitlines())
    problems += (_problem(file, places, *one) for one in faults)
    if problems:
        raise InputError(sorted(problems, key=lambda problem: problem.line or 0))
    return kit


def _kit(data: Mapping[str, Any], file: str, faults: list[_Placed]) -> Kit:
    """The kit of what is sound in these tables; what isn't goes to the `faults`."""
    shelves: dict[str, dict[str, Any]] = {name: {} for name in _KINDS}
    for name, tables in data.items():
        if name not in _KINDS:
            fault = FieldFault("unknown table", _one_of(_KINDS), nearest(name, _KINDS))
            faults.append((name, None, fault))
        elif not _is_shelf(tables):
            fault = FieldFault("needs a key", f"[{name}.KEY] with its fields under it")
            faults.append((name, None, fault))
        else:
            for key, fields in tables.items():
                values, found = _read(_KINDS[name], fields)
                faults += ((f"{name}.{key}", *one) for one in found)
                if not found:
                    shelves[name][key] = _KINDS[name].make(key=key, **values)
    kit = Kit(shelves["body"], shelves["lens"], shelves["adapter"], file)
    shelves["adapter"].update(understood_adapters(kit))
    faults += (*_on_keys(data), *_on_bodies(kit.bodies), *_on_lenses(kit.lenses))
    return kit


def _read(
    kind: _Kind, fields: Mapping[str, Any]
) -> tuple[dict[str, Any], Sequence[tuple[str, FieldFault]]]:
    """The values of a table's fields, None where one is bad, and all that is wrong with them."""
    faults = [
        (name, FieldFault("unknown field", _one_of(kind.fields), nearest(name, kind.fields)))
        for name in fields
        if name not in kind.fields
    ]
    values: dict[str, Any] = {}
    for name, field in kind.fields.items():
        try:
            if name in fields:
                values[name] = field.read(fields[name], field.expected)
            elif field.example:
                expected = f"{field.expected}, as in this line:\n    {name} = {field.example}"
                raise FieldFault("is missing", expected)
        except FieldFault as bad:
            values[name] = None
            faults.append((name, bad))
    return values, [*faults, *kind.check(values)]


def _problem(
    file: str, places: _Places, table: str, name: str | None, fault: FieldFault
) -> Problem:
    where = f"[{table}] {name}" if name else f"[{table}]"
    # A table need not be written as a header: then it has no line.
    line = places.get((table, name), places.get((table, None)))
    told, more = f"{where}: {fault.text}", (fault.expected, fault.suggestion)
    return Problem(file, told, line, None, 1, None, *more)


def _places(lines: Sequence[str]) -> _Places:
    """The line of each table's header and of each field in it; a shelf's is its first table's."""
    places: _Places = {}
    table = ""
    for number, line in enumerate(lines, 1):
        if (header := _A_HEADER.match(line)) is not None:
            shelf, *key = (_bare(part) for part in header[1].split(".", 1))
            table = ".".join((shelf, *key))
            places.setdefault((shelf, None), number)
            places.setdefault((table, None), number)
        elif "=" in line:
            places.setdefault((table, _bare(line.partition("=")[0])), number)
    return places


def _bare(name: str) -> str:
    return name.strip().strip("\"'")


def _one_of(names: Iterable[str]) -> str:
    return "one of " + ", ".join(names)


def _is_shelf(tables: object) -> TypeGuard[dict[str, dict[str, Any]]]:
    """Whether it is a table of tables, by their keys."""
    return isinstance(tables, dict) and all(isinstance(each, dict) for each in tables.values())


def _on_keys(data: Mapping[str, Any]) -> Iterator[_Placed]:
    """A key is one word that the session log doesn't read otherwise, and is there once."""
    shelves = ((kind, data.get(kind)) for kind in _KINDS)
    keys = {f"{kind}.{key}": key for kind, shelf in shelves if _is_shelf(shelf) for key in shelf}
    for table, key in keys.items():
        reads_as = next((what for shape, what in _READS_AS if shape.fullmatch(key)), None)
        if key.casefold() in RESERVED_WORDS:
            reads_as = "a word of the session log"
        if reads_as:
            text, expected = f'the key "{key}" reads as {reads_as}', "a key such as miran58"
            yield table, None, FieldFault(text, expected)
        elif not key or _NOT_IN_A_KEY.search(key):
            text = f'the key "{key}" isn\'t one word'
            yield table, None, FieldFault(text, "a key without spaces, commas, quotes or #")
    for table, first in again({table: key.casefold() for table, key in keys.items()}):
        expected = "a key that no other body, lens or adapter has"
        yield table, None, FieldFault(f"the key is already taken by [{first}]", expected)


def _on_bodies(bodies: Mapping[str, Body]) -> Iterator[_Placed]:
    """No two bodies may claim the same frames."""
    same = {key: ((one.model or "").casefold(), one.serial) for key, one in bodies.items()}
    for key, first in again(same):
        if bodies[key].model is None:
            text, expected = "has no model either", "at most one body without a model"
            yield f"body.{key}", "model", FieldFault(f"[body.{first}] {text}", expected)
        else:
            text = f"[body.{first}] has the same model and serial"
            expected = "a serial on each, to tell equal bodies apart"
            yield f"body.{key}", "serial", FieldFault(text, expected)


def _on_lenses(lenses: Mapping[str, Lens]) -> Iterator[_Placed]:
    """No lens may be in the kit twice; one with a changed mount has two mounts."""
    same = {
        key: tuple(text.casefold() for text in (one.maker or "", one.name, one.serial, one.mount))
        for key, one in lenses.items()
        if one.serial is not None
    }
    for key, first in again(same):
        text = f"[lens.{first}] has the same maker, name and serial"
        yield f"lens.{key}", "serial", FieldFault(text, "each lens once")


def again(values: Mapping[str, Hashable]) -> Iterator[tuple[str, str]]:
    """Each key whose value an earlier key has, and the first of these."""
    seen: dict[Hashable, str] = {}
    for key, value in values.items():
        if seen.setdefault(value, key) != key:
            yield key, seen[value]


class _Kind(NamedTuple):
    """A kind of gear: what makes it, its fields, and a check of their values, None where bad."""

    make: Callable[..., Body | Lens | Adapter]
    fields: Mapping[str, FieldRule]
    check: Callable[[_Values], _Faults] = lambda values: iter(())


def _check_lens(values: _Values) -> _Faults:
    focal, widest, narrowest = map(values.get, ("focal", "widest", "narrowest"))
    if focal and widest:
        if focal[1] > 10_000:
            yield "focal", FieldFault(f"is {focal[1]} mm", "mm, at most 10000")
        # The refractive limit of a lens in air is f/0.5: what lies below is a slip of the pen.
        if widest[0] < Decimal("0.5"):
            yield "widest", FieldFault(f"is f/{widest[0]}", "an f-number of 0.5 or more")
        if widest[1] > 100:
            yield "widest", FieldFault(f"is f/{widest[1]}", "an f-number of at most 100")
        if focal[0] == focal[1] and widest[0] != widest[1]:
            text = "has two values on a lens of one focal length"
            yield "widest", FieldFault(text, "one f-number")
    if widest and narrowest and narrowest < widest[1]:
        text = f"f/{narrowest} is wider than widest f/{widest[1]}"
        yield "narrowest", FieldFault(text, "an f-number not below widest")


def _check_adapter(values: _Values) -> _Faults:
    kind, factor = values.get("kind", "plain"), values.get("factor")
    if kind in _FACTORS:
        expected, least, greatest = _FACTORS[kind]
        if factor is None:
            yield "factor", FieldFault("is missing", expected)
        elif not least <= factor <= greatest:
            yield "factor", FieldFault(f"is {factor}", expected)
    else:
        if kind is not None and factor is not None and factor != 1:
            text = f"is {factor} on kind {kind}"
            yield "factor", FieldFault(text, "1.0, or kind reducer or extender")
        yield from _check_thickness(values)


def _check_thickness(values: _Values) -> _Faults:
    """Refuses what no adapter measures: a slipped decimal point, or inches for mm.

    Thicker is an extension for close-ups and may be long; thinner than the registers' difference
    is a slip beyond the few tenths of a mm that makers allow themselves (common practice).
    """
    lens, body = (mount_named(values.get(side) or "") for side in ("lens_mount", "body_mount"))
    thickness = values.get("thickness")
    if lens is None or body is None or thickness is None:
        return
    needed = max(0.0, adapter_thickness(lens, body)[0])
    if not needed - 2 <= thickness <= needed + 150:
        keeps = f"about {needed:.2f} mm" if needed else "no thickness at all"
        expected = f"mm from flange to flange; {lens.name} on {body.name} takes {keeps}"
        yield "thickness", FieldFault(f"is {thickness:g} mm", expected)


_MOUNT = FieldRule(read.mount, 'the designation of a mount, such as "M42"', example='"M42"')
_KINDS = {
    "body": _Kind(
        Body,
        {
            "model": FieldRule(read.text, "the Model of its frames' Exif"),
            "serial": FieldRule(read.text, "the body's serial number"),
            "mount": _MOUNT,
            "sensor": FieldRule(read.sides, "width and height in mm, such as [35.9, 23.9]"),
        },
    ),
    "lens": _Kind(
        Lens,
        {
            "maker": FieldRule(read.text, "the lens's maker"),
            "name": FieldRule(read.text, "the lens's name", example='"Miran 58mm f/2"'),
            "focal": FieldRule(read.ends, "mm above 0: 58, or [35, 70] for a zoom", example="58"),
            "widest": FieldRule(
                read.ends, "the f-number wide open: 2.0, or [3.5, 4.5] where it changes", "2.0"
            ),
            "narrowest": FieldRule(read.number, "the greatest f-number, such as 16"),
            "mount": _MOUNT,
            "aperture_ring": FieldRule(read.flag, "true or false"),
            "serial": FieldRule(read.text, "the lens's serial number"),
            "known_as": FieldRule(read.texts, 'names in a list, such as ["MF 58"]'),
            "image_circle": FieldRule(
                read.length, "the image circle's diameter in mm, such as 43.3"
            ),
        },
        _check_lens,
    ),
    "adapter": _Kind(
        Adapter,
        {
            "lens_mount": _MOUNT,
            "body_mount": _MOUNT,
            "kind": FieldRule(read.adapter_kind, _one_of(AdapterKind)),
            "factor": FieldRule(
                read.number, "1.0, a reducer's such as 0.71, an extender's such as 1.4"
            ),
            "thickness": FieldRule(read.length, "mm above 0, such as 27.46"),
        },
        _check_adapter,
    ),
}
