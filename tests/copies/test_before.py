"""What stood in a frame before, as text in the manifest and back."""

from __future__ import annotations

import json
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flangeback.copies.stated import before_texts, lens_data_of
from flangeback.frames.model import LensData

RATIONALS = st.none() | st.builds(Fraction, st.integers(1, 2**32 - 1), st.integers(1, 2**32 - 1))


@given(
    st.builds(
        LensData,
        st.none() | st.text(min_size=1),
        RATIONALS,
        RATIONALS,
        st.none() | st.integers(1, 65535),
        maker=st.none() | st.text(min_size=1),
        serial=st.none() | st.text(min_size=1),
        specification=st.just(()) | st.tuples(*[RATIONALS] * 4),
    )
)
def test_lens_data_comes_back_from_the_manifest(data: LensData) -> None:
    before = json.loads(json.dumps(before_texts(data)))
    assert lens_data_of(before) == data
    assert all(isinstance(text, str) for text in before.values())


@pytest.mark.parametrize("text", ["", "x", "1/0", "-1", "1e999999999", "1.5", "9" * 11, "1/2/3"])
def test_a_number_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="rational"):
        lens_data_of({"FNumber": text})
