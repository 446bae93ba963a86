"""What the instrument is owed raises alarms of its own; limits: common practice, no source; statuses: NAMUR NE 107."""

from typing import Any

import pytest

from logger.config import AlarmKind, QualityLimits, default_alarm
from logger.measure.calibration import fit
from logger.model import CareState, Cause, Check, CheckKind, Command, CommandKind, Entry
from logger.model.care import OpenedBuffer, told_text
from logger.structs import replace
from tests.series import EPOCH_US, POINTS, calibrate, carry_over, check, of_ph, watch

POLL_S = 600.0
DAY = 144
"""Records a day."""
ALARMS = [default_alarm(kind) for kind in (*sorted(kind for kind in AlarmKind if kind.is_maintenance), AlarmKind.BLIND)]
WATCH = watch(*ALARMS, poll_s=POLL_S, limits=QualityLimits(max_gap_s=2 * POLL_S))  # type: ignore[arg-type]


def told(*commands: Command, days: float, calibrated: bool = True) -> list[tuple[str, Cause, int]]:
    """Return alarm, cause and record of what happens to a quiet vat in so many days."""
    rows = of_ph([3.8 + 0.01 * (n % 3) for n in range(round(days * DAY))], every_s=POLL_S)
    asked = [calibrate(), *commands] if calibrated else list(commands)
    _, outcomes = carry_over(WATCH, rows, commands=asked)
    entries: list[Entry] = [entry for outcome in outcomes for entry in outcome.entries if entry.alarm]
    return [(entry.alarm, entry.cause, entry.seq) for entry in entries]


def checked(deviation_ph: float, *, record: int, **more: Any) -> Command:  # noqa: ANN401 - fields of it
    made: Check = replace(check(deviation_ph, at_s=(record - 1) * POLL_S, **more), id=record)
    return Command(
        id=record, at_us=made.at_us, kind=CommandKind.CHECK, vat="vat", probe="probe", check=made, seq=record
    )


def test_a_check_is_owed_after_three_days_and_a_calibration_after_seven_in_its_place() -> None:
    # The first record more than three days (seven) old, and the on-delay of ten minutes: one record more.
    assert told(days=8.0) == [
        ("check-overdue", Cause.ANNUNCIATED, 3 * DAY + 3),
        ("check-overdue", Cause.RETURNED, 7 * DAY + 2),
        ("calibration-overdue", Cause.ANNUNCIATED, 7 * DAY + 3),
    ]


@pytest.mark.parametrize("kind", [CheckKind.BUFFER, CheckKind.SPOT])
def test_a_check_of_either_kind_is_one(kind: CheckKind) -> None:
    assert told(checked(0.01, record=2 * DAY + 1, kind=kind), days=5.0) == []


def test_without_a_calibration_one_alarm_says_so_and_no_other_speaks_of_it() -> None:
    first, *reminders = told(days=9.0, calibrated=False)
    assert first == ("no-calibration", Cause.ANNUNCIATED, 4)  # half an hour
    assert {(alarm, cause) for alarm, cause, _ in reminders} == {("no-calibration", Cause.REMINDER)}
    ended = told(replace(calibrate(), seq=10, id=10), days=1.0, calibrated=False)
    assert [entry for entry in ended if entry[1] is not Cause.REMINDER] == [
        ("no-calibration", Cause.ANNUNCIATED, 4),
        ("no-calibration", Cause.RETURNED, 10),
    ]


def test_a_check_beyond_the_judging_tolerance_tells_at_once_until_one_agrees() -> None:
    assert told(checked(0.11, record=20), checked(0.02, record=30), days=1.0) == [
        ("drifted", Cause.ANNUNCIATED, 20),
        ("drifted", Cause.RETURNED, 30),
    ]


@pytest.mark.parametrize(
    ("deviation_ph", "more"),
    [(0.10, {}), (-0.09, {}), (0.35, {"kind": CheckKind.SPOT, "u_reference_ph": 0.2})],
    ids=["at the tolerance", "below it", "a strip that is no surer"],
)
def test_what_is_within_the_tolerance_or_its_own_doubt_tells_nothing(
    deviation_ph: float, more: dict[str, object]
) -> None:
    u = more.pop("u_reference_ph", None)
    asked = checked(deviation_ph, record=20, **more)
    if u is not None and asked.check is not None:
        asked = replace(asked, check=replace(asked.check, u_reference_ph=float(str(u))))
    assert told(asked, days=1.0) == []


def test_a_calibration_that_was_found_far_off_is_told_once_when_it_is_replaced() -> None:
    shifted = tuple(replace(point, potential_mv=point.potential_mv - 9.0) for point in POINTS)  # some 0.15 pH
    anew = replace(fit(shifted, probe="probe", at_us=EPOCH_US, by="tester"), id=2)
    assert told(replace(calibrate(20), calibration=anew), days=0.5) == [
        ("drifted", Cause.ANNUNCIATED, 20),
        ("drifted", Cause.RETURNED, 21),
    ]


def cared(record: int, **state: Any) -> Command:  # noqa: ANN401 - fields of it
    note = told_text("care: cleaned", CareState(**state))
    return Command(id=record, at_us=EPOCH_US, kind=CommandKind.CARE, vat="", probe="probe", note=note, seq=record)


def of(name: str, entries: list[tuple[str, Cause, int]]) -> list[tuple[Cause, int]]:
    return [(cause, record) for alarm, cause, record in entries if alarm == name]


def test_a_cleaning_is_owed_thirty_days_after_the_one_before_and_not_where_none_was_entered() -> None:
    cleaned = cared(10, cleaned_at_us=EPOCH_US)
    again = cared(31 * DAY, cleaned_at_us=EPOCH_US + 30 * DAY * round(POLL_S * 1_000_000))
    # The first record more than thirty days old, and the on-delay of ten minutes: one record more.
    assert of("cleaning-overdue", told(cleaned, again, days=32.0)) == [
        (Cause.ANNUNCIATED, 30 * DAY + 3),
        (Cause.RETURNED, 31 * DAY),
    ]
    assert of("cleaning-overdue", told(days=32.0)) == []


def test_a_buffer_that_the_calibration_used_reminds_once_it_has_expired() -> None:
    made = calibrate()
    assert made.calibration is not None
    points = tuple(replace(point, buffer=f"b{n}") for n, point in enumerate(made.calibration.points))
    used = replace(made, calibration=replace(made.calibration, points=points))
    expires = OpenedBuffer(buffer="b0", lot="B7", expires_at_us=EPOCH_US + DAY * round(POLL_S * 1_000_000))
    other = replace(expires, buffer="never-used")
    entries = told(used, cared(10, buffers=(expires, other)), days=2.0, calibrated=False)
    assert of("buffer-expired", entries) == [(Cause.ANNUNCIATED, DAY + 3)]
    assert of("buffer-expired", told(used, cared(10, buffers=(other,)), days=2.0, calibrated=False)) == []
