"""The kit file: TOML in, a [Kit] or every fault at once out."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from flangeback.errors import InputError, Problem, nearest
from flangeback.kit.model import Adapter, AdapterKind, Body, Kit, Lens
from flangeback.kit.mounts import adapter_thickness, designations, mount_named

RESERVED_WORDS = frozenset(
    {"date", "zone", "clock", "slack", "first", "then", "slate", "not-slate"}
    | {"off", "open", "via", "fast", "slow", "shows", "am", "pm"}
)
"""Words of the session log that no key may take."""

_READS_AS = (
    (re.compile(r"\d{1,2}([:.]\d{2})+([ap]m)?|\d{1,2}h\d{2}", re.I), "a time"),
    (re.compile(r"[fƒ][/:]?[\d?].*|1:\d.*", re.I), "an f-number"),
    (re.compile(r"\d+([.,]\d+)?mm", re.I), "a focal length"),
    (re.compile(r"t/?\d+([.,]\d+)?", re.I), "a T-stop"),
    (re.compile(r".*\.\..*"), "a range of frames"),
)
_NOT_IN_A_KEY = re.compile(r"[\s\"'#,;]")

_Maker = Callable[["_Table"], Body | Lens | Adapter | None]


def read_kit(path: Path) -> Kit:
    """Read a kit file. Raises InputError with every fault, by table and field."""
    try:
        text = path.read_text("utf-8-sig")
    except FileNotFoundError:
        raise InputError(
            Problem(
                str(path),
                "there is no such kit file",
                expected="a TOML file (`flangeback kit add body FRAME` begins one); see --kit",
            )
        ) from None
    except UnicodeDecodeError as error:
        raise InputError(Problem(str(path), f"isn't UTF-8 text (byte {error.start})")) from None
    except OSError as error:
        raise InputError(Problem(str(path), f"can't be read: {error.strerror}")) from None
    return parse_kit(text, str(path))


def parse_kit(text: str, file: str = "kit.toml") -> Kit:
    """The kit that this TOML text describes. Raises InputError with every fault found."""
    try:
        data = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise InputError(_toml_problem(str(error), text, file)) from None
    except (ArithmeticError, ValueError, RecursionError):
        # TOML sets no limits, Python does: thousands of digits or of nested brackets.
        expected = "numbers of a few digits, and no list in a list"
        raise InputError(Problem(file, "is too big to be a kit", expected=expected)) from None
    reader = _Reader(file, text)
    kit = reader.kit(data)
    if reader.problems:
        raise InputError(reader.problems)
    return kit


def _toml_problem(message: str, text: str, file: str) -> Problem:
    place = re.search(r"\(at line (\d+), column (\d+)\)", message)
    words = message.split(" (at ")[0]
    if place is None:
        return Problem(file, f"isn't TOML: {words}")
    line, column = int(place[1]), int(place[2])
    source = text.splitlines()[line - 1] if line <= len(text.splitlines()) else ""
    return Problem(file, f"isn't TOML: {words}", line, column, source=source)


class _Reader:
    """Collects problems while the tables are read."""

    def __init__(self, file: str, text: str) -> None:
        self.file = file
        self.lines = text.splitlines()
        self.problems: list[Problem] = []

    def kit(self, data: Mapping[str, Any]) -> Kit:
        makers: dict[str, _Maker] = {"body": _body, "lens": _lens, "adapter": _adapter}
        shelves: dict[str, dict[str, Any]] = {name: {} for name in makers}
        for name, tables in data.items():
            if name not in makers:
                self.fault(name, None, "unknown table", _one_of(makers), nearest(name, makers))
            elif not isinstance(tables, dict) or not all(
                isinstance(table, dict) for table in tables.values()
            ):
                self.fault(name, None, "needs a key", f"[{name}.KEY] with its fields under it")
            else:
                for key, fields in tables.items():
                    gear = makers[name](_Table(self, f"{name}.{key}", key, fields))
                    if gear is not None:
                        shelves[name][key] = gear
        self._check_keys(data, makers)
        self._check_bodies(shelves["body"])
        self._check_lenses(shelves["lens"])
        return Kit(shelves["body"], shelves["lens"], shelves["adapter"], self.file)

    def _check_keys(self, data: Mapping[str, Any], kinds: Iterable[str]) -> None:
        seen: dict[str, str] = {}
        for kind in kinds:
            for key in data.get(kind, {}) if isinstance(data.get(kind), dict) else ():
                table = f"{kind}.{key}"
                self._check_key(table, key)
                first = seen.setdefault(key.casefold(), table)
                if first != table:
                    self.fault(
                        table,
                        None,
                        f"the key is already taken by [{first}]",
                        "a key that no other body, lens or adapter has",
                    )

    def _check_key(self, table: str, key: str) -> None:
        reads_as = next((what for shape, what in _READS_AS if shape.fullmatch(key)), None)
        if key.casefold() in RESERVED_WORDS:
            reads_as = "a word of the session log"
        if reads_as:
            self.fault(table, None, f'the key "{key}" reads as {reads_as}', "a key such as miran58")
        elif not key or _NOT_IN_A_KEY.search(key):
            self.fault(
                table,
                None,
                f'the key "{key}" isn\'t one word',
                "a key without spaces, commas, quotes or #",
            )

    def _check_bodies(self, bodies: Mapping[str, Body]) -> None:
        """No two bodies may claim the same frames."""
        seen: dict[tuple[str | None, str | None], str] = {}
        for key, body in bodies.items():
            claim = (body.model and body.model.casefold(), body.serial)
            first = seen.setdefault(claim, key)
            if first == key:
                continue
            if body.model is None:
                text = f"[body.{first}] has no model either"
                expected = "at most one body without a model"
            else:
                text = f"[body.{first}] has the same model and serial"
                expected = "a serial on each, to tell equal bodies apart"
            self.fault(f"body.{key}", "model" if body.model is None else "serial", text, expected)

    def _check_lenses(self, lenses: Mapping[str, Lens]) -> None:
        """No lens may be in the kit twice; one with a changed mount has two mounts."""
        seen: dict[tuple[str, ...], str] = {}
        for key, lens in lenses.items():
            if lens.serial is None:
                continue
            same = (lens.maker or "", lens.name, lens.serial, lens.mount)
            first = seen.setdefault(tuple(text.casefold() for text in same), key)
            if first != key:
                text = f"[lens.{first}] has the same maker, name and serial"
                self.fault(f"lens.{key}", "serial", text, "each lens once")

    def fault(
        self,
        table: str,
        name: str | None,
        text: str,
        expected: str | None = None,
        suggestion: str | None = None,
    ) -> None:
        where = f"[{table}] {name}" if name else f"[{table}]"
        line = self._line(table, name)
        self.problems.append(
            Problem(self.file, f"{where}: {text}", line, expected=expected, suggestion=suggestion)
        )

    def _line(self, table: str, name: str | None) -> int | None:
        """Where the field stands, or its table; None when the table isn't written as a header."""
        header = re.compile(
            r"\s*\[+\s*"
            + r"\s*\.\s*".join(rf"[\"']?{re.escape(part)}[\"']?" for part in table.split(".", 1))
            # A whole shelf stands where its first piece of gear does.
            + (r"\s*\]" if "." in table else r"\s*[.\]]")
        )
        start = next((n for n, line in enumerate(self.lines, 1) if header.match(line)), None)
        if start is None or name is None:
            return start
        for number, line in enumerate(self.lines[start:], start + 1):
            if line.lstrip().startswith("["):
                break
            if re.match(rf"\s*[\"']?{re.escape(name)}[\"']?\s*=", line):
                return number
        return start


class _Table:
    """One table of the kit; every `take_` notes a fault and gives None where a field is wrong."""

    def __init__(self, reader: _Reader, table: str, key: str, fields: Mapping[str, Any]) -> None:
        self.reader = reader
        self.table = table
        self.key = key
        self.fields = fields
        self._faults = len(reader.problems)

    @property
    def sound(self) -> bool:
        return len(self.reader.problems) == self._faults

    def fault(
        self,
        name: str | None,
        text: str,
        expected: str | None = None,
        suggestion: str | None = None,
    ) -> None:
        self.reader.fault(self.table, name, text, expected, suggestion)

    def only(self, known: tuple[str, ...]) -> None:
        for name in self.fields:
            if name not in known:
                self.fault(name, "unknown field", _one_of(known), nearest(name, known))

    def take(self, name: str, expected: str, *, needed: bool) -> Any:
        if name not in self.fields:
            if needed:
                self.fault(name, "is missing", expected)
            return None
        return self.fields[name]

    def text(self, name: str, expected: str, *, needed: bool = False) -> str | None:
        value = self.take(name, expected, needed=needed)
        if value is None:
            return None
        if not isinstance(value, str) or not value.strip():
            self.fault(name, f"is {_shown(value)}", f"{expected}, in quotes")
            return None
        if any(ord(ch) < 32 or ord(ch) == 127 for ch in value):
            self.fault(name, "holds a control character", f"{expected}, in one line")
            return None
        return value.strip()

    def mount(self, name: str) -> str | None:
        expected = 'the designation of a mount, such as "M42"'
        value = self.text(name, expected, needed=True)
        if value is None:
            return None
        found = mount_named(value)
        if found is None:
            self.fault(
                name, f'there is no mount "{value}"', expected, nearest(value, designations())
            )
            return None
        return found.name

    def number(self, name: str, expected: str, *, needed: bool = False) -> Decimal | None:
        value = self.take(name, expected, needed=needed)
        if value is None:
            return None
        number = _number(value)
        if number is None:
            self.fault(name, f"is {_shown(value)}", expected)
        return number

    def pair(self, name: str, expected: str) -> tuple[Decimal, Decimal] | None:
        """A number, or a list of two; a single number counts for both."""
        value = self.take(name, expected, needed=True)
        if value is None:
            return None
        items = value if isinstance(value, list) else [value, value]
        numbers = [_number(item) for item in items]
        first, last = numbers if len(numbers) == 2 else (None, None)
        if first is None or last is None:
            self.fault(name, f"is {_shown(value)}", expected)
            return None
        if first > last:
            self.fault(name, f"is {_shown(value)}, the greater first", expected)
            return None
        return first, last

    def flag(self, name: str, default: bool) -> bool:
        value = self.fields.get(name, default)
        if not isinstance(value, bool):
            self.fault(name, f"is {_shown(value)}", "true or false")
            return default
        return value


def _number(value: object) -> Decimal | None:
    """A finite number above zero, or None."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        return None
    number = Decimal(value)
    return number if number.is_finite() and Decimal("0.001") <= number <= 100_000 else None


def _shown(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(map(_shown, value)) + "]"
    try:
        return str(value)
    except ValueError:  # Python writes no whole number of more than 4300 digits.
        return "a number beyond all measure"


def _one_of(names: Iterable[str]) -> str:
    return "one of " + ", ".join(names)


def _body(table: _Table) -> Body | None:
    table.only(("model", "serial", "mount", "sensor"))
    model = table.text("model", "the Model of its frames' Exif")
    serial = table.text("serial", "the body's serial number")
    mount = table.mount("mount")
    sensor = None
    if "sensor" in table.fields:
        sensor = _sensor(table)
    if not table.sound or mount is None:
        return None
    return Body(table.key, mount, model, serial, sensor)


def _sensor(table: _Table) -> tuple[float, float] | None:
    expected = "width and height in mm, such as [35.9, 23.9]"
    value = table.fields["sensor"]
    sides = [_number(item) for item in value] if isinstance(value, list) else []
    width, height = sides if len(sides) == 2 else (None, None)
    if width is None or height is None or not all(1 <= side <= 100 for side in (width, height)):
        table.fault("sensor", f"is {_shown(value)}", expected)
        return None
    return float(width), float(height)


_LENS_FIELDS = (
    *("maker", "name", "focal", "widest", "narrowest", "mount", "aperture_ring", "serial"),
    "image_circle",
)


def _lens(table: _Table) -> Lens | None:
    table.only(_LENS_FIELDS)
    maker = table.text("maker", "the lens's maker")
    name = table.text("name", "the lens's name", needed=True)
    serial = table.text("serial", "the lens's serial number")
    mount = table.mount("mount")
    focal = table.pair("focal", "mm above 0: 58, or [35, 70] for a zoom")
    widest = table.pair("widest", "the f-number wide open: 2.0, or [3.5, 4.5] where it changes")
    narrowest = table.number("narrowest", "the greatest f-number, such as 16", needed=True)
    ring = table.flag("aperture_ring", True)
    circle = table.number("image_circle", "the image circle's diameter in mm, such as 43.3")
    if focal and widest:
        _check_optics(table, focal, widest)
    if widest and narrowest and narrowest < widest[1]:
        table.fault(
            "narrowest",
            f"f/{narrowest} is wider than widest f/{widest[1]}",
            "an f-number not below widest",
        )
    if not table.sound or None in (name, mount, focal, widest, narrowest):
        return None
    assert name
    assert mount
    assert focal
    assert widest
    assert narrowest
    return Lens(
        table.key,
        name,
        mount,
        focal,
        widest,
        narrowest,
        maker,
        serial,
        ring,
        None if circle is None else float(circle),
    )


def _check_optics(
    table: _Table, focal: tuple[Decimal, Decimal], widest: tuple[Decimal, Decimal]
) -> None:
    if focal[1] > 10_000:
        table.fault("focal", f"is {focal[1]} mm", "mm, at most 10000")
    # Half the refractive limit f/0.5 of a lens in air: what lies below is a slip of the pen.
    if widest[0] < Decimal("0.5"):
        table.fault("widest", f"is f/{widest[0]}", "an f-number of 0.5 or more")
    if widest[1] > 100:
        table.fault("widest", f"is f/{widest[1]}", "an f-number of at most 100")
    if focal[0] == focal[1] and widest[0] != widest[1]:
        table.fault("widest", "has two values on a lens of one focal length", "one f-number")


_FACTORS = {
    AdapterKind.REDUCER: ("a reducer's is below 1, such as 0.71", Decimal("0.3"), Decimal("0.999")),
    AdapterKind.EXTENDER: ("an extender's is above 1, such as 1.4", Decimal("1.001"), Decimal(4)),
}


def _adapter(table: _Table) -> Adapter | None:
    table.only(("lens_mount", "body_mount", "kind", "factor", "thickness"))
    lens_mount = table.mount("lens_mount")
    body_mount = table.mount("body_mount")
    kind = _kind(table)
    factor = _factor(table, kind) if kind else None
    thickness = table.number("thickness", "mm above 0, such as 27.46")
    spacer = kind not in _FACTORS
    if lens_mount and body_mount and thickness is not None and spacer:
        _check_thickness(table, lens_mount, body_mount, float(thickness))
    if not table.sound or None in (lens_mount, body_mount, kind, factor):
        return None
    assert lens_mount
    assert body_mount
    assert kind
    assert factor
    return Adapter(
        table.key,
        lens_mount,
        body_mount,
        kind,
        factor,
        None if thickness is None else float(thickness),
    )


def _check_thickness(table: _Table, lens_mount: str, body_mount: str, thickness: float) -> None:
    """Refuses what no adapter measures: a slipped decimal point, or inches for mm.

    Thicker is an extension for close-ups and may be long; thinner than the registers' difference
    is a slip beyond the few tenths of a mm that makers allow themselves (common practice).
    """
    lens, body = mount_named(lens_mount), mount_named(body_mount)
    assert lens
    assert body
    needed = max(0.0, adapter_thickness(lens, body)[0])
    if not needed - 2 <= thickness <= needed + 150:
        keeps = f"about {needed:.2f} mm" if needed else "no thickness at all"
        table.fault(
            "thickness",
            f"is {thickness:g} mm",
            f"mm from flange to flange; {lens_mount} on {body_mount} takes {keeps}",
        )


def _kind(table: _Table) -> AdapterKind | None:
    kinds = [str(kind) for kind in AdapterKind]
    value = table.text("kind", _one_of(kinds), needed=False)
    if value is None:
        return AdapterKind.PLAIN if "kind" not in table.fields else None
    if value not in kinds:
        table.fault("kind", f'is "{value}"', _one_of(kinds), nearest(value, kinds))
        return None
    return AdapterKind(value)


def _factor(table: _Table, kind: AdapterKind) -> Decimal | None:
    if kind not in _FACTORS:
        factor = table.number("factor", "1.0, or no factor at all")
        if factor is not None and factor != 1:
            table.fault("factor", f"is {factor} on kind {kind}", "1.0, or kind reducer or extender")
        return Decimal(1)
    expected, least, greatest = _FACTORS[kind]
    factor = table.number("factor", expected, needed=True)
    if factor is not None and not least <= factor <= greatest:
        table.fault("factor", f"is {factor}", expected)
        return None
    return factor
