"""Ask for a look at the probe after hours in which nobody watched it.

Law: pure. What began inside a gap of some hours (a lifted probe, a small offset) looks like the vat's own course after
it, and no reading tells: so a gap of more than three hours without a record is told once, at low priority, and each
record says so (`AFTER_GAP`) until somebody looked: a check, a calibration, or the word that the probe is in the vat.
It lowers no quality: most gaps are a machine that was off. Three hours: common practice, no source.
"""

from zoneinfo import ZoneInfo

import numpy as np

from logger.alarm.lifecycle import Now
from logger.alarm.quiet_hours import local
from logger.config import PeopleConfig, Priority, VatConfig
from logger.model import Carry, Cause, Entry, Ints
from logger.structs import replace
from logger.units import DAY_US, HOUR_US

GAP_US = 3 * HOUR_US


def ask_after_gap(vat: VatConfig, carry: Carry, *, seq: int, now: Now) -> tuple[Carry, list[Entry]]:
    """Return the carry, and the notice of a gap that ends with this record."""
    newest = carry.reported
    if newest.record_us is None or newest.record_at_us is None or now.elapsed_us - newest.record_us <= GAP_US:
        return carry, []
    between = (newest.record_at_us, now.at_us)
    entry = Entry(
        seq=seq,
        at_us=now.at_us,
        vat=vat.id,
        cause=Cause.AFTER_GAP,
        priority=Priority.LOW,
        text=words(between, vat.people),
    )
    return replace(carry, electrode=replace(carry.electrode, unwatched_at_us=between)), [entry]


def gap_ends(elapsed_us: Ints) -> Ints:
    """Return the rows before which such a gap ends."""
    return 1 + np.flatnonzero(np.diff(elapsed_us) > GAP_US)


def seen(carry: Carry) -> Carry:
    """Return the carry after somebody looked at the probe."""
    return replace(carry, electrode=replace(carry.electrode, unwatched_at_us=None))


def words(between: tuple[int, int], people: PeopleConfig) -> str:
    """Say from when to when nobody watched, and what to do."""
    begin, end = (local(us, ZoneInfo(people.zone)) for us in between)
    form = "%H:%M" if 0 <= between[1] - between[0] < DAY_US else "%Y-%m-%d %H:%M"
    when = f"from {begin:{form}} to {end:{form}} {end.tzname()}"
    if between[1] - between[0] <= GAP_US:  # the wall clock ran back meanwhile
        when = f"for a time that nobody knows, until {end:{form}} {end.tzname()}"
    return f"not watched {when}: look whether the probe is in the vat (then mark probe-in), or check it"
