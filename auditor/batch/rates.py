"""Shares of few studies with the interval in which the true share may lie."""

from __future__ import annotations

from math import ceil, floor, sqrt

from auditor.model import Share

Z_95 = 1.959963984540054
"""97.5 % quantile of the standard normal distribution: a two-sided interval of 95 %."""
_PPM = 1_000_000


def wilson(count: int, of: int, *, above: tuple[int, int] | None = None) -> Share:
    """``count`` of ``of`` with the Wilson score interval at 95 %, rounded outward.

    (count + z²/2 ± z √(count (of - count) / of + z²/4)) / (of + z²). Source: Wilson EB, Probable
    inference, the law of succession, and statistical inference, J Am Stat Assoc 1927;22:209-212.
    ``above`` is the share (count, of) of all: the interval is ``apart`` where it lies above it.
    """
    if not of:
        return Share(0, 0, 0, 0)
    middle = count + Z_95**2 / 2
    half = Z_95 * sqrt(count * (of - count) / of + Z_95**2 / 4)
    whole = of + Z_95**2
    # At the ends the interval reaches exactly 0 or 1; the square root may miss that by a little.
    low = 0 if count == 0 else max(0, floor((middle - half) / whole * _PPM))
    high = _PPM if count == of else min(_PPM, ceil((middle + half) / whole * _PPM))
    apart = above is not None and above[1] > 0 and low * above[1] > above[0] * _PPM
    return Share(count, of, low, high, apart)
