"""Probabilities and ratios as text: three digits that count, and never 0 or 1 unless exactly so."""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Context, Decimal

from powerfault.reliability.probability import Span

DIGITS = 3


def chance_text(value: float, *, never: bool = False, always: bool = False) -> str:
    """A probability; ``never`` and ``always`` say that 0 or 1 is exactly that.

    >>> chance_text(0.00123456), chance_text(2.5e-9), chance_text(0.99999)
    ('0.00123', '2.50e-9', '1 - 1.00e-5')
    >>> chance_text(0.0, never=True), chance_text(0.0), chance_text(1.0), chance_text(1.0, always=True)
    ('0', 'below 1e-300', 'above 1 - 1e-15', '1')
    """
    if never:
        return "0"
    if always:
        return "1"
    if value < 1e-300:
        return "below 1e-300"
    if value >= 1.0:
        return "above 1 - 1e-15"
    if value > 0.9995:
        return f"1 - {number_text(1.0 - value)}"
    shown = number_text(value)
    return shown if float(shown) < 1 else f"1 - {number_text(1.0 - value)}"


def number_text(value: float, rounding: str = ROUND_HALF_EVEN) -> str:
    """A positive number with three digits that count.

    >>> number_text(0.041), number_text(123456.0), number_text(0.0), number_text(math.inf)
    ('0.0410', '123000', '0', 'without limit')
    """
    if value == 0:
        return "0"
    if math.isinf(value):
        return "without limit"
    rounded = Context(prec=DIGITS, rounding=rounding).create_decimal(Decimal(str(value)))
    power = rounded.adjusted()
    if -4 < power < 6:
        places = max(0, DIGITS - 1 - power)
        return f"{rounded:.{places}f}"
    return f"{rounded.scaleb(-power):.{DIGITS - 1}f}e{power}"


def span_text(span: Span | None, *, never: bool = False, always: bool = False) -> str:
    """A probability known exactly, or its lower and upper bound rounded outwards.

    >>> span_text(Span(0.0012345, 0.0012399)), span_text(Span(0.5, 0.5)), span_text(None)
    ('0.00123 to 0.00124', '0.500', '-')
    """
    if span is None:
        return "-"
    if span.exact or never or always:
        return chance_text(span.low, never=never, always=always)
    low = number_text(span.low, ROUND_FLOOR) if span.low > 0 else "0"
    high = number_text(span.high, ROUND_CEILING)
    if span.high < 1 and float(high) >= 1:
        high = f"1 - {number_text(1.0 - span.high, ROUND_FLOOR)}"
    return f"{low} to {high}"


def amount_text(span: Span | None) -> str:
    """Any positive number, exact or between bounds.

    >>> amount_text(Span(12.3456, 12.3456)), amount_text(Span(1.5, 1.6))
    ('12.3', '1.50 to 1.60')
    """
    if span is None:
        return "-"
    if span.exact:
        return number_text(span.low)
    return f"{number_text(span.low, ROUND_FLOOR)} to {number_text(span.high, ROUND_CEILING)}"


def share_text(value: float) -> str:
    """A share in percent that reads 0 or 100 only where it is.

    >>> share_text(0.12345), share_text(0.00001), share_text(0.99999), share_text(1.0), share_text(0.0)
    ('12.3 %', 'below 0.1 %', 'above 99.9 %', '100 %', '0 %')
    """
    if math.isnan(value):
        return "-"
    if value <= 0:
        return "0 %"
    if value >= 1:
        return "100 %"
    if value < 0.0005:
        return "below 0.1 %"
    return "above 99.9 %" if value > 0.9995 else f"{100 * value:.1f} %"


def percent_text(value: float) -> str:
    """A small difference in percent.

    >>> percent_text(0.00499)
    '0.5 %'
    """
    return f"{100 * value:.2g} %"
