"""Edits as tests make them: values to write, splices put in by hand."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction

from hypothesis import strategies as st

from flangeback.formats import FileReader, Splice
from flangeback.formats.jpeg import Jpeg
from flangeback.tags.table import ASCII, Tag, TagValue


@contextmanager
def file_with(data: bytes, size: int | None = None) -> Iterator[FileReader]:
    """A file with this content, made `size` bytes long, open for reading."""
    with tempfile.TemporaryFile() as file:
        file.write(data)
        file.flush()
        file.truncate(len(data) if size is None else size)
        with FileReader(file.fileno()) as reader:
            yield reader


def splices_for(data: bytes, values: Sequence[TagValue]) -> tuple[Splice, ...]:
    """What an edit of a JPEG file with this content comes to. Raises what it raises."""
    with file_with(data) as reader:
        return Jpeg(reader).edit(values)


def applied(data: bytes, splices: Sequence[Splice]) -> bytes:
    """The content with the splices put in; they must come in order and not overlap."""
    out, at = b"", 0
    for splice in splices:
        assert at <= splice.start <= splice.end <= len(data)
        out += data[at : splice.start] + splice.data
        at = splice.end
    return out + data[at:]


def edited(data: bytes, values: Sequence[TagValue]) -> bytes:
    return applied(data, splices_for(data, values))


_RATIONALS = st.one_of(
    st.tuples(st.integers(0, 2**32 - 1), st.integers(1, 2**32 - 1)),
    st.tuples(st.integers(1, 3000), st.sampled_from([1, 10, 100])),
    st.just((0, 0)),
)
_TEXTS = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=70)


def _value(tag: Tag) -> st.SearchStrategy[TagValue]:
    if tag.type == ASCII:
        return st.builds(TagValue, st.just(tag), _TEXTS)
    if tag == Tag.FOCAL_LENGTH_35MM:
        return st.builds(TagValue, st.just(tag), st.integers(0, 65_535))
    count = 4 if tag == Tag.LENS_SPECIFICATION else 1
    return st.builds(TagValue, st.just(tag), st.tuples(*[_RATIONALS] * count))


def value_sets() -> st.SearchStrategy[tuple[TagValue, ...]]:
    """One or more tags of the Exif directory, ascending, as a plan has them."""
    return (
        st.sets(st.sampled_from(sorted(set(Tag) - {Tag.DATE_TIME})), min_size=1)
        .flatmap(lambda tags: st.tuples(*(_value(tag) for tag in sorted(tags))))
        .map(tuple)
    )


def fraction(top: int, below: int) -> Fraction | None:
    """A rational as a number; None over zero."""
    return Fraction(top, below) if below else None


def as_read(value: TagValue) -> str | list[Fraction | None]:
    """What a reader must find for this value."""
    if isinstance(value.value, str):
        return value.value
    if isinstance(value.value, int):
        return [Fraction(value.value)]
    return [fraction(*pair) for pair in value.value]
