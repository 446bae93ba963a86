"""Count a gap of unknown length as none in ages, deadlines and biological hours, and as the true one once it is known.

Law: pure; it goes by the times of the records alone, so a replay finds the same. A machine without a real-time clock
boots behind its log's end: the watch then counts a day, longer than any delay and any window, and goes on from the
log's end as UTC (`daemon/clock.py`). So a record whose watch time went on by a day more than its UTC ends such a gap:
all moments before it are moved by what was guessed. When the wall clock is set, UTC steps forward by what the gap
really was: they are moved back by that, and the journal tells it.

Delays, covers and windows keep the guess: what pended begins anew, what was shelved ends, and no slope is taken over a
gap that nobody knows.
"""

from collections.abc import Mapping

import numpy as np

from logger.alarm.lifecycle import Now
from logger.config import Priority, VatConfig
from logger.measure.batch import UNKNOWN_C, biological_hours
from logger.model import Carry, Cause, Entry, Ints, Trend
from logger.structs import replace
from logger.units import DAY_US, HOUR_US, MINUTE_US, SECOND_US
from logger.watch.unwatched import GAP_US, words

STEP_US = 5 * SECOND_US
"""A wall clock that runs away from the steady one by more than this was stepped (common practice, no source)."""


def turns(at_us: Ints, elapsed_us: Ints) -> Ints:
    """Return the rows before which UTC and watch time part by a guess, or by a clock that was set forward."""
    steps = np.diff(at_us - elapsed_us)
    return 1 + np.flatnonzero((steps <= STEP_US - DAY_US) | (steps > STEP_US))


def follow(vat: VatConfig, carry: Carry, *, seq: int, now: Now) -> tuple[Carry, list[Entry]]:
    """Return the carry before the record of now, and what is to be said of a gap whose length is known by it."""
    newest = carry.reported
    if newest.record_us is None or newest.record_at_us is None:
        return carry, []
    step_us = (now.at_us - newest.record_at_us) - (now.elapsed_us - newest.record_us)
    is_guess = now.elapsed_us - newest.record_us >= DAY_US  # else a clock was set back while the watch went on
    if is_guess and step_us <= STEP_US - DAY_US:
        reported = replace(newest, guessed_us=now.elapsed_us)
        return replace(_moved(carry, -step_us, newest.record_us), reported=reported), []
    if step_us <= STEP_US or newest.guessed_us is None:
        return carry, []
    return _settled(vat, carry, step_us, newest.guessed_us, seq=seq, now=now)


def _settled(
    vat: VatConfig, carry: Carry, gap_us: int, until_us: int, *, seq: int, now: Now
) -> tuple[Carry, list[Entry]]:
    """Return the carry with the true length of a gap that ended at that watch time, and the word of it."""
    carry = replace(_moved(carry, -gap_us, until_us), reported=replace(carry.reported, guessed_us=None))
    carry = _warmed(carry, gap_us, until_us)
    ended_at_us = now.at_us - (now.elapsed_us - until_us)
    between = (ended_at_us - gap_us, ended_at_us)
    if carry.electrode.unwatched_at_us is not None:
        asks = between if gap_us > GAP_US else None
        carry = replace(carry, electrode=replace(carry.electrode, unwatched_at_us=asks))
    minutes = gap_us / MINUTE_US
    known = f"the clock was set: the watch had stopped for {minutes:.0f} min, which ages and deadlines count now"
    text = f"{known}; {words(between, vat.people)}" if gap_us > GAP_US else known
    entry = Entry(seq=seq, at_us=now.at_us, vat=vat.id, cause=Cause.AFTER_GAP, priority=Priority.LOW, text=text)
    return carry, [entry]


def _moved(carry: Carry, by_us: int, until_us: int) -> Carry:
    """Move the moments up to a watch time that ages, deadlines and biological hours are counted from."""

    def moved(us: int | None) -> int | None:
        return us if us is None or us > until_us else us + by_us

    made, batch, foreseen = carry.electrode, carry.batch, carry.forecast
    known, withdrawn = made.estimate, batch.progress.withdrawn
    electrode = replace(
        made,
        estimate=known and replace(known, elapsed_us=moved(known.elapsed_us)),
        calibrated_us=moved(made.calibrated_us),
        checked_us=moved(made.checked_us),
        spotted_us=moved(made.spotted_us),
    )
    progress = replace(
        batch.progress,
        started_us=moved(batch.progress.started_us),
        withdrawn=withdrawn and replace(withdrawn, elapsed_us=moved(withdrawn.elapsed_us) or 0),
    )
    forecast = replace(
        foreseen,
        started_us=moved(foreseen.started_us),
        counted_us=moved(foreseen.counted_us),
        made=tuple(each and replace(each, elapsed_us=moved(each.elapsed_us) or 0) for each in foreseen.made),
    )
    trends = {name: replace(trend, counted_us=moved(trend.counted_us)) for name, trend in carry.windows.trends.items()}
    return replace(
        carry,
        electrode=electrode,
        batch=replace(batch, started_us=moved(batch.started_us), progress=progress),
        forecast=forecast,
        windows=replace(carry.windows, trends=trends),
    )


def _warmed(carry: Carry, gap_us: int, until_us: int) -> Carry:
    """Add the gap to biological hours that were counted further meanwhile."""
    foreseen = carry.forecast
    forecast = replace(
        foreseen, hours=foreseen.hours + _worth(gap_us, until_us, foreseen.counted_us, foreseen.temperature_c)
    )
    return replace(carry, forecast=forecast, windows=replace(carry.windows, trends=_warm(carry, gap_us, until_us)))


def _warm(carry: Carry, gap_us: int, until_us: int) -> Mapping[str, Trend]:
    return {
        name: replace(trend, hours=trend.hours + _worth(gap_us, until_us, trend.counted_us, trend.temperature_c))
        for name, trend in carry.windows.trends.items()
    }


def _worth(gap_us: int, until_us: int, counted_us: int | None, temperature_c: float | None) -> float:
    if counted_us is None or counted_us <= until_us:  # it is counted with the next window
        return 0.0
    return biological_hours(gap_us / HOUR_US, UNKNOWN_C if temperature_c is None else temperature_c)
