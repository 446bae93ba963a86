"""Condition of a probe in the words of NAMUR NE 107: standing alarms, electrode, calibration, checks, buffers.

Law: pure; the worst finding gives the status, and every finding is one sentence with what to do. No sentence holds an
age or another figure that runs, so that a finding is the same from cycle to cycle until something happens.
"""

from collections.abc import Iterator
from datetime import UTC, datetime

from logger.config import AlarmKind, Config, ProbeConfig, VatConfig
from logger.measure import immersion, specification
from logger.measure.buffers import expired, shelf
from logger.measure.electrode import condition, visit
from logger.model import Calibration, Carry, Finding, Health, State
from logger.units import DAY_US

ROOM_C = 20.0
_STATUS = dict.fromkeys((AlarmKind.OUT_OF_LIQUID, AlarmKind.DISAGREEMENT), Health.OUT_OF_SPECIFICATION)
"""What a standing alarm of the instrument puts the probe in, where it is no failure."""


def probe_health(vat: VatConfig, carry: Carry, *, config: Config, at_us: int) -> tuple[Health, list[str]]:
    """Return the status of the vat's probe at a time (UTC, microseconds) and its findings, worst first."""
    probe = config.probe(vat.probe)
    window_us = immersion.window_us(probe.limits, poll_s=probe.poll_s)
    found = [*_failures(vat, carry), *_function_checks(vat, carry)]
    found += specification.findings(probe, carry, at_us=at_us, window_us=window_us)
    if carry.electrode.calibration is not None:
        found += condition(visit(carry.electrode.calibration), probe.calibration)
        found += _reminders(probe, carry, carry.electrode.calibration, at_us=at_us)
    found += _expired(config, at_us=at_us)
    found.sort(key=lambda finding: list(Health).index(finding.status))
    return (found[0].status if found else Health.GOOD), [finding.text for finding in found]


def _failures(vat: VatConfig, carry: Carry) -> list[Finding]:
    words = {
        AlarmKind.NO_DATA: "Nothing arrives from the probe: check its cable, its power and the port.",
        AlarmKind.BLIND: "Nothing that arrives can be believed: look at the probe and at the vat.",
        AlarmKind.ERRATIC: "The potential has no one value: look first whether the glass of the bulb is whole.",
        AlarmKind.OUT_OF_LIQUID: "The probe seems to hang in air: push it down below the foam.",
        AlarmKind.DISAGREEMENT: "The two probes of the vat differ by more than their doubts: dip both in a buffer.",
    }
    found = [
        Finding(status=_STATUS.get(alarm.kind, Health.FAILURE), text=words[alarm.kind])
        for alarm in vat.alarms
        if alarm.kind in words and alarm.id in carry.alarms and carry.alarms[alarm.id].abnormal
    ]
    uncalibrated = "No calibration is stored, so no pH is claimed: calibrate the probe."
    return found if carry.electrode.calibration else [*found, Finding(status=Health.FAILURE, text=uncalibrated)]


def _function_checks(vat: VatConfig, carry: Carry) -> Iterator[Finding]:
    shown = {carry.alarms[alarm.id].shown for alarm in vat.alarms if alarm.id in carry.alarms}
    if carry.suppression.not_back_us is not None:
        text = "Work on the probe is over and nobody said that it is back: look, then mark probe-in."
        yield Finding(status=Health.FUNCTION_CHECK, text=text)
    elif carry.suppression.attended_until_us is not None:
        text = "Somebody works on the probe; the process alarms of its vat are suppressed until it is back."
        yield Finding(status=Health.FUNCTION_CHECK, text=text)
    elif State.SUPPRESSED in shown:
        text = "Process alarms are suppressed while the probe is out, cleaned or calibrated."
        yield Finding(status=Health.FUNCTION_CHECK, text=text)
    if State.OUT_OF_SERVICE in shown:
        text = "An alarm of this vat is out of service: return it to service when the work is done."
        yield Finding(status=Health.FUNCTION_CHECK, text=text)


def _reminders(probe: ProbeConfig, carry: Carry, made: Calibration, *, at_us: int) -> Iterator[Finding]:
    """Yield what is overdue; a calibration makes a check needless, so only one of the two is asked for."""
    drift, middle_ph = carry.electrode.drift, (made.low_ph + made.high_ph) / 2.0
    is_off = drift is not None and abs(drift.offset_ph) > probe.check_tolerance_ph
    if is_off:
        yield _maintenance(
            f"The last check found the probe off by more than {probe.check_tolerance_ph:g}: clean it and calibrate it."
        )
    if drift is not None and drift.unexpected is not None:
        yield _maintenance(
            "The last check found the probe farther off than could be expected: probe or reference? Repeat it in fresh "
            "buffer, or calibrate."
        )
    checked_at_us = made.at_us if drift is None else drift.at_us
    if at_us - made.at_us > probe.calibrate_every_d * DAY_US:
        yield _maintenance(f"The calibration is older than {probe.calibrate_every_d:g} days: calibrate the probe.")
    elif (
        not is_off
        and carry.windows.immersion.middle_c is None  # else it is told of the reading itself
        and specification.is_doubtful(probe, carry, made, ph=middle_ph, warm_c=ROOM_C, at_us=at_us)
    ):
        yield _maintenance(
            f"The doubt of a reading has grown beyond u = {specification.U_LIMIT_PH:.2f}: dip the probe in a buffer, or"
            " calibrate it."
        )
    elif at_us - checked_at_us > probe.check_every_d * DAY_US:
        yield _maintenance(
            f"The probe was not checked for more than {probe.check_every_d:g} days: dip it in a buffer, or measure the "
            "vat with another instrument."
        )


def _expired(config: Config, *, at_us: int) -> Iterator[Finding]:
    ids = [said.id for said in config.buffers if said.expires is not None]
    if ids:
        table, today = shelf(config.buffers), datetime.fromtimestamp(at_us // 1_000_000, UTC).date()
        for sentence in filter(None, (expired(table[each], on=today) for each in ids)):
            yield _maintenance(f"{sentence}.")


def _maintenance(text: str) -> Finding:
    return Finding(status=Health.MAINTENANCE_REQUIRED, text=text)
