"""Many times written at once are what each is by itself."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from auditor.core.clock import Axis, isos

NS = 10**9
# 2020 to 2030: twenty changes of each clock among them. Lord Howe's change is half an hour.
INSTANTS = st.integers(1_577_836_800 * NS, 1_893_456_000 * NS)
ZONES = (None, "America/Denver", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC")
# Instants on, just before and just after changes of summer time in Denver and on Lord Howe Island
# in 2027 (IANA time zone database): 14 March 09:00, 7 November 08:00, 3 April 15:00, 2 October 15:30.
CHANGES = (1_805_014_800, 1_825_574_400, 1_806_764_400, 1_822_491_000)
NEAR = st.builds(
    lambda at, by: at * NS + by, st.sampled_from(CHANGES), st.integers(-3600 * NS, 3600 * NS)
)


@given(st.sampled_from(ZONES), st.lists(INSTANTS | NEAR | NEAR.map(lambda ns: ns - ns % NS)))
def test_many_times_at_once_read_as_each_by_itself(zone: str | None, instants: list[int]) -> None:
    axis = Axis(zone)
    assert axis.isos(instants) == [axis.iso(one) for one in instants]
    assert isos(instants) == [Axis("UTC").iso(one) for one in instants]
