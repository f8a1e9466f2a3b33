"""Shares of few studies with the interval in which the true share may lie."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, exp, floor, lgamma, log, sqrt

from auditor.model import Share

Z_95 = 1.959963984540054
"""97.5 % quantile of the standard normal distribution: a two-sided interval of 95 %."""
CHANCE = 0.025
FEWEST = 5
"""Fewer studies than this are never called apart (common practice, no source)."""
_PPM = 1_000_000


def wilson(count: int, of: int) -> Share:
    """``count`` of ``of`` with the Wilson score interval at 95 %, rounded outward.

    (count + z²/2 ± z √(count (of - count) / of + z²/4)) / (of + z²). Source: Wilson EB, Probable
    inference, the law of succession, and statistical inference, J Am Stat Assoc 1927;22:209-212.
    """
    if not of:
        return Share(0, 0, 0, 0)
    middle = count + Z_95**2 / 2
    half = Z_95 * sqrt(count * (of - count) / of + Z_95**2 / 4)
    whole = of + Z_95**2
    # At the ends the interval reaches exactly 0 or 1; the square root may miss that by a little.
    low = 0 if count == 0 else max(0, floor((middle - half) / whole * _PPM))
    high = _PPM if count == of else min(_PPM, ceil((middle + half) / whole * _PPM))
    return Share(count, of, low, high)


def compared(share: Share, every: Share, groups: int) -> Share:
    """``share`` marked as apart where chance hardly explains that it lies above ``every``.

    It needs ``FEWEST`` studies, an interval wholly above the share of all, and, since the interval
    alone is too narrow for few studies, an exact binomial probability of so many of at most
    ``CHANCE`` over the number of groups looked at (Bonferroni's correction).
    """
    above = share.low_ppm * every.of > every.count * _PPM
    rare = share.of >= FEWEST and above and _at_least(share, every) <= CHANCE / max(groups, 1)
    return replace(share, apart=rare)


def _at_least(share: Share, every: Share) -> float:
    """Probability of ``share.count`` or more of ``share.of`` where each has the share of all."""
    p = every.count / every.of
    if p in (0, 1):
        return p
    n = share.of
    return sum(
        exp(lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1) + k * log(p) + (n - k) * log(1 - p))
        for k in range(share.count, n + 1)
    )
