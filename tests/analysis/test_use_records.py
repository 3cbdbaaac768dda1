from hypothesis import given
from hypothesis import strategies as st

from analysis.use_records import WORK, work_frame, work_of
from analysis.use_since import Work
from analysis.vocabulary import Direction

_DAYS = st.floats(0, 40_000)
_WORK = st.builds(
    Work,
    check_day=_DAYS,
    read_day=_DAYS,
    read=st.floats(0, 1e9),
    begun_day=st.none() | _DAYS,
    pulls=st.lists(st.tuples(_DAYS, st.integers(0, 2**40)), max_size=4).map(tuple),
    until_day=_DAYS,
)


@given(st.dictionaries(st.tuples(st.text(max_size=3), st.sampled_from(Direction)), _WORK))
def test_work_comes_back_as_it_was(work: dict[tuple[str, Direction], Work]) -> None:
    frame = work_frame(work)
    assert frame.schema == WORK
    assert work_of(frame) == work
