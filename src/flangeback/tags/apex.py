"""APEX: the additive system of photographic exposure (CIPA DC-008, annex on APEX units)."""

from __future__ import annotations

import math
from decimal import Decimal


def aperture_value(f_number: Decimal) -> Decimal:
    """Av = 2 log2 N, to four decimals; negative below f/1."""
    return Decimal(f"{2 * math.log2(f_number):.4f}")
