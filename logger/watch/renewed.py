"""Say what a watch carries on with when its store was lost and a backup is all that is left of it.

Law: pure. No occurrence of an alarm has a number that may have been given before: an alarm annunciates at most once a
record and no probe is read more often than once a second, so as many numbers are passed over as seconds are unknown. A
calibration of a backup may have been replaced since, so it holds no claim until a check passes.
"""

from logger.config import VatConfig
from logger.measure import trust_events
from logger.model import AlarmState, Carry
from logger.structs import replace

SINCE_S = 1_577_836_800
"""2020-01-01T00:00:00Z: no store is older, so a number counted in seconds from here was never given."""


def from_backup(carry: Carry, vat: VatConfig, *, unknown_s: int, elapsed_us: int, at_us: int) -> Carry:
    """Return what was carried so many seconds ago as what is to be carried now (watch time, UTC)."""
    states = {**{alarm.id: AlarmState() for alarm in vat.alarms}, **carry.alarms}
    alarms = {name: replace(state, occurrence=state.occurrence + unknown_s) for name, state in states.items()}
    if carry.electrode.calibration is None or carry.trust.loss is not None:
        return replace(carry, alarms=alarms)
    trust = trust_events.doubt_backup(carry.trust, elapsed_us=elapsed_us, at_us=at_us)
    return replace(carry, alarms=alarms, trust=trust)


def from_nothing(carry: Carry, vat: VatConfig, *, at_us: int) -> Carry:
    """Return what is carried when nothing is known, with numbers that no occurrence of these alarms had."""
    first = max(0, at_us // 1_000_000 - SINCE_S)
    return replace(carry, alarms={alarm.id: AlarmState(occurrence=first) for alarm in vat.alarms})
