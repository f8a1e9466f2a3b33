"""Shares of few studies with the interval in which the true share may lie."""

from __future__ import annotations

from math import ceil, exp, floor, lgamma, sqrt

from msgspec.structs import replace

from auditor.core.units import PPM
from auditor.model import Share

Z_95 = 1.959963984540054
"""97.5 % quantile of the standard normal distribution: a two-sided interval of 95 %."""
CHANCE = 0.025
FEWEST = 5
"""Fewer studies than this are never called apart (common practice, no source)."""


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
    low = 0 if count == 0 else max(0, floor((middle - half) / whole * PPM))
    high = PPM if count == of else min(PPM, ceil((middle + half) / whole * PPM))
    return Share(count, of, low, high)


def others(share: Share, every: Share) -> Share:
    """The share of all studies that ``share``, a part of ``every``, leaves out."""
    return wilson(every.count - share.count, every.of - share.of)


def by_chance(share: Share, every: Share) -> float:
    """How likely so many or more of ``every``'s counts fall into ``share`` by chance alone.

    Fisher's exact test, one-sided: the tail of the hypergeometric distribution. Source: Fisher RA,
    The logic of inductive inference, J R Stat Soc 1935;98:39-82 (from memory).
    """
    most = min(share.of, every.count)
    least = _choices(every.of, share.of)
    return sum(
        exp(_choices(every.count, k) + _choices(every.of - every.count, share.of - k) - least)
        for k in range(share.count, most + 1)
        if share.of - k <= every.of - every.count
    )


def _choices(n: int, k: int) -> float:
    """Logarithm of the number of ways to choose ``k`` of ``n``."""
    return lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1)


def compared(share: Share, every: Share, groups: int) -> Share:
    """``share``, a part of ``every``, marked as apart where chance hardly explains it.

    It needs ``FEWEST`` studies, an interval wholly above the share of the others, and a probability
    by chance of at most ``CHANCE`` over the number of groups looked at (Bonferroni's correction).
    """
    rest = others(share, every)
    above = rest.of > 0 and share.low_ppm * rest.of > rest.count * PPM
    rare = share.of >= FEWEST and above and by_chance(share, every) <= CHANCE / max(groups, 1)
    return replace(share, apart=rare)
