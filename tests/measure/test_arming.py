"""From which window on an alarm from above counts."""

from logger.config import AlarmConfig, AlarmKind
from logger.measure.arming import follow, is_armed
from logger.model import Trend
from tests.measure.closed_windows import closed

NAN = float("nan")
HIGH = AlarmConfig(id="high", kind=AlarmKind.PH_HIGH, setpoint=4.6, armed_ph=4.5)


def armed(values: list[float], alarm: AlarmConfig = HIGH, *, doubtful: tuple[int, ...] = ()) -> list[bool]:
    judged = closed(values, window_s=600.0, doubtful=doubtful)
    whole = is_armed(Trend(), judged, alarm).tolist()
    trend, apart = Trend(), list[bool]()
    for number, value in enumerate(values):
        one = closed([value], window_s=600.0, first=number, doubtful=(0,) if number in doubtful else ())
        apart += is_armed(trend, one, alarm).tolist()
        trend = follow(trend, one, alarm)
    assert whole == apart  # what is carried makes no difference
    assert follow(Trend(), judged, alarm) == trend
    return list(whole)


def test_it_is_armed_by_the_first_believed_window_at_or_below_its_ph_and_stays_so() -> None:
    assert armed([5.0, 4.75, 4.5, 4.75, 5.0]) == [False, False, True, True, True]


def test_neither_a_doubtful_window_nor_a_silent_one_arms() -> None:
    assert armed([5.0, 4.25, NAN, 5.0], doubtful=(1,)) == [False] * 4


def test_without_that_ph_it_counts_from_the_start_and_a_rise_is_armed_where_it_is_measured() -> None:
    assert armed([5.0], AlarmConfig(id="high", kind=AlarmKind.PH_HIGH, setpoint=4.6)) == [True]
    assert armed([5.0], AlarmConfig(id="rise", kind=AlarmKind.RISE, setpoint=0.1, armed_ph=4.5)) == [True]
