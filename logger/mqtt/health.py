"""Condition of a probe in the words of NAMUR NE 107, judged from the standing of its vat's alarms.

Law: pure; the worst finding gives the status, and every finding is one sentence with what to do.
"""

from logger.config import AlarmKind, VatConfig
from logger.model import Carry, Health, State


def probe_health(vat: VatConfig, carry: Carry) -> tuple[Health, list[str]]:
    """Return the status of the vat's probe and its findings, worst first."""
    found = [*_failures(vat, carry), *_function_checks(vat, carry)]
    found.sort(key=lambda finding: list(Health).index(finding[0]))
    return (found[0][0] if found else Health.GOOD), [sentence for _, sentence in found]


def _failures(vat: VatConfig, carry: Carry) -> list[tuple[Health, str]]:
    words = {
        AlarmKind.NO_DATA: "Nothing arrives from the probe: check its cable, its power and the port.",
        AlarmKind.BLIND: "Nothing that arrives can be believed: look at the probe and at the vat.",
    }
    found = [
        (Health.FAILURE, words[alarm.kind])
        for alarm in vat.alarms
        if alarm.kind in words and alarm.id in carry.alarms and carry.alarms[alarm.id].abnormal
    ]
    uncalibrated = "No calibration is stored, so no pH is claimed: calibrate the probe."
    return found if carry.calibration else [*found, (Health.FAILURE, uncalibrated)]


def _function_checks(vat: VatConfig, carry: Carry) -> list[tuple[Health, str]]:
    shown = {carry.alarms[alarm.id].shown for alarm in vat.alarms if alarm.id in carry.alarms}
    words = {
        State.SUPPRESSED: "Process alarms are suppressed while the probe is out, cleaned or calibrated.",
        State.OUT_OF_SERVICE: "An alarm of this vat is out of service: return it to service when the work is done.",
    }
    return [(Health.FUNCTION_CHECK, sentence) for state, sentence in words.items() if state in shown]
