"""Find the alarms that a changed configuration no longer watches, and say so in the journal.

Law: pure. No alarm that stands leaves in silence. One that has become another kind begins anew: what was judged of a
pH says nothing of a temperature; only its occurrences are counted on.

At the first start after the change, what stood and is no longer watched is an event of high priority. Its state is
kept, so that putting it back goes on counting its occurrences.
"""

from collections.abc import Iterable, Iterator, Mapping

from logger.config import RETIRED, AlarmConfig, VatConfig
from logger.model import AlarmState, Carry, Cause, Entry
from logger.structs import replace


def find_orphans(vats: Iterable[VatConfig], carries: Mapping[str, Carry], *, at_us: int) -> Iterator[Entry]:
    """Yield an entry for each alarm that stands in what was carried (by vat) and has left these vats."""
    watched = {vat.id: {alarm.id: alarm for alarm in vat.alarms} for vat in vats}
    for vat, carry in carries.items():
        for name, state in carry.alarms.items():
            is_standing = state.base.is_standing or state.abnormal
            if is_standing and not _goes_on(watched.get(vat, {}).get(name), state):
                yield Entry(
                    seq=0,
                    at_us=at_us,
                    vat=vat,
                    alarm=name,
                    cause=Cause.UNWATCHED,
                    occurrence=state.occurrence,
                    before=state.shown,
                    priority="high",
                    value=state.value,
                    u=state.u,
                    text=f"it stood when it left the configuration: {_instead(name, state)}",
                )


def _instead(name: str, state: AlarmState) -> str:
    """Say what watches now what an alarm watched."""
    told = RETIRED.get(state.kind or name)
    return told or ("nothing watches what it watched. If that was not meant, put it back under the same name and kind")


def kept(vat: VatConfig, carry: Carry) -> Carry:
    """Return what is carried, with the alarms that are now of another kind begun anew."""
    anew = {
        alarm.id: AlarmState(occurrence=carry.alarms[alarm.id].occurrence)
        for alarm in vat.alarms
        if alarm.id in carry.alarms and not _goes_on(alarm, carry.alarms[alarm.id])
    }
    trends = {name: trend for name, trend in carry.windows.trends.items() if name not in anew}
    return replace(carry, alarms={**carry.alarms, **anew}, windows=replace(carry.windows, trends=trends))


def _goes_on(alarm: AlarmConfig | None, state: AlarmState) -> bool:
    return alarm is not None and state.kind in ("", alarm.kind)
