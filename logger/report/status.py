"""Gather what the daemon knows now from the store, for a person and for scripts.

Law: reads only. Every age is counted from the one `now` that is handed in. Where nothing is known it says so (None),
and what a person should do something about stands in `attention`, a sentence each.
"""

from collections.abc import Iterator

from logger.alarm import words
from logger.alarm.lifecycle import Transition, priority
from logger.config import AlarmConfig, Config, ProbeConfig, Simulation, VatConfig
from logger.measure import batch
from logger.model import AlarmState, Belief, Calibration, Carry, Cause, Measurements, QualityTests, Reason, State
from logger.mqtt.health import probe_health
from logger.mqtt.payloads import COVERAGE_FACTOR, number, quality_word
from logger.report.beliefs import EvidenceIndex
from logger.report.corrected import in_force, sentence
from logger.report.counters import count
from logger.report.forecast import forecast_status
from logger.report.overview import (
    Began,
    InForce,
    NewestReading,
    Overview,
    StandingAlarm,
    StatusTime,
    TrustStatus,
    VatStatus,
)
from logger.report.target import target_status
from logger.report.words import age, moment, names_of_tests
from logger.store import Store, queries
from logger.store.queries import Waiting
from logger.units import SECOND_US
from logger.watch import system, trust_words

POLLS = 3
"""A newest record older than so many polls is old. Common practice, no source."""
COMMIT_S = 2.0
"""Real seconds that a tick's time limits and its commit may take on top of that. Common practice, no source."""
OUTBOX_S = 600.0
"""A message that waits longer for the broker needs attention. Common practice, no source."""
_TO_ACKNOWLEDGE = (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED)


def is_clock_shared(simulation: Simulation | None) -> bool:
    """Tell whether another process can know what time the daemon has."""
    return (
        simulation is None
        or simulation.epoch_monotonic_s is not None
        or (simulation.speed == 1.0 and simulation.epoch_us is None)
    )


def gather(config: Config, store: Store, *, at_us: int) -> Overview:
    """Return what the store knows of every configured vat at this moment (UTC, microseconds)."""
    carries = queries.watches(store)
    newest = {vat.id: queries.latest(store, vat.probe) for vat in config.vats}
    now = now_of(config, [*newest.values()], at_us=at_us)
    vats = [
        _vat(config, store, vat, carries.get(vat.id, Carry(probe=vat.probe)), newest[vat.id], now)
        for vat in config.vats
    ]
    itself = system.vat_of(config)
    own = [*alarms(itself, carries.get(itself.id, system.fresh()), None, now)]
    outbox = queries.outbox_waiting(store)
    return Overview(
        at=moment(now.at_us),
        clock_known=now.known,
        simulated=config.simulated,
        store=store.where,
        store_bytes=queries.size_bytes(store),
        run=_last_run(store, now),
        broker=config.mqtt is not None,
        outbox_waiting=outbox.count,
        outbox_oldest_age_s=now.age_s(outbox.oldest_at_us),
        commands_waiting=len(queries.pending_commands(store)),
        vats=vats,
        alarms=count(config, store, carries, at_us=now.at_us),
        system=[standing for standing in own if standing.state != State.NORMAL],
        attention=[
            *(sentence for vat in vats for sentence in _wants(config, vat)),
            *_unacknowledged(itself.name, own),
            *_outbox_wants(config, outbox, now),
        ],
    )


def _last_run(store: Store, now: StatusTime) -> Began | None:
    runs = queries.runs(store)
    if not runs:
        return None
    last = runs[-1]
    age_s = now.age_s(last.started_at_us) or 0.0
    return Began(run=last.id, at=moment(last.started_at_us), age_s=age_s, version=last.version)


def now_of(config: Config, newest: list[Measurements], *, at_us: int) -> StatusTime:
    """Return this moment; where only the daemon has the simulation's clock, that of the newest record."""
    if is_clock_shared(config.simulation):
        return StatusTime(at_us=at_us)
    return StatusTime(at_us=max((int(rows.at_us[-1]) for rows in newest if len(rows)), default=at_us), known=False)


def is_stale(config: Config, probe: ProbeConfig, age_s: float) -> bool:
    """Tell whether a newest record of that age (seconds of the vat's time) means that nothing is polled.

    So does one of the future: the clock was set back, and nothing was stored since.
    """
    speed = config.simulation.speed if config.simulation else 1.0
    return abs(age_s) > POLLS * probe.poll_s + (COMMIT_S + config.commit_every_s) * speed


def _vat(config: Config, store: Store, vat: VatConfig, carry: Carry, rows: Measurements, now: StatusTime) -> VatStatus:
    status, findings = probe_health(vat, carry, config=config, at_us=now.at_us)
    evidence = EvidenceIndex.read(store, [vat.probe], people=vat.people)
    return VatStatus(
        vat=vat.id,
        name=vat.name,
        probe=vat.probe,
        newest=_reading(config, vat, rows, evidence, now) if len(rows) else None,
        believed_at=None if carry.reported.believed_at_us is None else moment(carry.reported.believed_at_us),
        believed_age_s=now.age_s(carry.reported.believed_at_us),
        alarms=[standing for standing in alarms(vat, carry, rows, now) if standing.state != State.NORMAL],
        calibration=None if carry.electrode.calibration is None else _in_force(carry.electrode.calibration, now),
        trust=_trust(vat, carry, now),
        health=status.value,
        findings=findings,
        corrections=[sentence(one) for one in in_force(queries.corrections(store, vat.probe)).values()],
        started=None if carry.batch.started_at_us is None else moment(carry.batch.started_at_us),
        unwatched=batch.unwatched(vat, carry),
        target=target_status(vat, carry, at_us=now.at_us),
        forecast=forecast_status(vat, carry),
    )


def _reading(
    config: Config, vat: VatConfig, rows: Measurements, evidence: EvidenceIndex, now: StatusTime
) -> NewestReading:
    at_us, u = int(rows.at_us[-1]), number(rows.u[-1], 6)
    age_s = now.age_s(at_us) or 0.0
    belief = Belief(int(rows.belief[-1]))
    return NewestReading(
        record=int(rows.seq[-1]),
        at=moment(at_us),
        age_s=age_s,
        stale=now.known and is_stale(config, config.probe(vat.probe), (now.at_us - at_us) / SECOND_US),
        ph=number(rows.ph[-1], 4),
        expanded_uncertainty_ph=None if u is None else number(COVERAGE_FACTOR * u, 4),
        coverage_factor=COVERAGE_FACTOR,
        temperature_c=number(rows.temperature_c[-1], 3),
        potential_mv=number(rows.potential_mv[-1], 3),
        quality=quality_word(int(rows.quality[-1])),
        tests=names_of_tests(int(rows.tests[-1])),
        believed=belief is Belief.BELIEVED,
        belief=belief.word,
        verdict=evidence.sentence(rows, -1),
    )


def alarms(vat: VatConfig, carry: Carry, rows: Measurements | None, now: StatusTime) -> Iterator[StandingAlarm]:
    """Yield every alarm of a vat (or of the system) as it stands; `rows` end with the newest record, if any."""
    for alarm in vat.alarms:
        state = carry.alarms.get(alarm.id, AlarmState())
        since_us = state.since_at_us or None
        standing = state.shown.is_standing
        yield StandingAlarm(
            vat=vat.id,
            alarm=alarm.id,
            kind=alarm.kind.row.title,
            priority=str(priority(state, alarm)),
            held=state.held,
            state=state.shown.value,
            standing=standing,
            acknowledge=state.shown in _TO_ACKNOWLEDGE,
            occurrence=state.occurrence,
            since=since_us and moment(since_us),
            age_s=now.age_s(since_us),
            value=number(state.value, 4) if standing else None,
            u=number(state.u, 4) if standing else None,
            setpoint=alarm.setpoint,
            text=_text(alarm, state, rows),
            lines=state.told.lines if standing and state.told else (),
        )


def to_acknowledge(vat: VatConfig, carry: Carry) -> Iterator[tuple[str, AlarmState]]:
    """Yield the alarms of a vat (or of the system) that wait for a person's acknowledgement."""
    for alarm in vat.alarms:
        state = carry.alarms.get(alarm.id, AlarmState())
        if state.shown in _TO_ACKNOWLEDGE:
            yield alarm.id, state


def _text(alarm: AlarmConfig, state: AlarmState, rows: Measurements | None) -> str:
    """Say what is abnormal, or that it no longer is."""
    if not state.shown.is_standing:
        return "abnormal now" if state.abnormal else "normal now"
    if not state.abnormal:
        figure = f" (it was told at {words.quantity(alarm, state.value, state.u)})" if alarm.kind.has_value else ""
        return f"back to normal{figure}"
    step = Transition(cause=Cause.ANNUNCIATED, before=State.NORMAL, after=State.UNACKNOWLEDGED, annunciates=True)
    reason = Reason(int(rows.reason[-1])) if rows else Reason.NONE
    spoken = QualityTests(int(rows.tests[-1])) if rows else QualityTests.NONE
    if alarm.kind.is_system and state.told:  # its facts are the daemon's, and nowhere else
        sentence_now = words.sentence(alarm, step, value=None, u=None)
        return ": ".join([sentence_now, *(line.rstrip(".") for line in state.told.lines[1:2])])
    return words.sentence(alarm, step, value=state.value, u=state.u, reason=reason, spoken=spoken)


def _trust(vat: VatConfig, carry: Carry, now: StatusTime) -> TrustStatus:
    shown = trust_words.shown(carry, trust_words.clock_of(vat.people))
    return TrustStatus(
        level=shown.level.value,
        since=None if shown.since_at_us is None else moment(shown.since_at_us),
        age_s=now.age_s(shown.since_at_us),
        sentence=shown.sentence,
    )


def _in_force(calibration: Calibration, now: StatusTime) -> InForce:
    return InForce(
        calibration=calibration.id,
        made_at=moment(calibration.at_us),
        age_s=now.age_s(calibration.at_us) or 0.0,
        slope=round(calibration.slope, 6),
        offset_mv=round(calibration.offset_mv, 2),
        low_ph=calibration.low_ph,
        high_ph=calibration.high_ph,
    )


def _wants(config: Config, vat: VatStatus) -> Iterator[str]:
    """Yield what a person should do something about at a vat."""
    if vat.newest is None:
        yield f"{vat.name}: there is no record of {vat.probe} yet: start the daemon with `vatvigil run`."
    elif vat.newest.stale:
        polls = f"{config.probe(vat.probe).poll_s:g} s"
        old = f"is {age(vat.newest.age_s)} old" if vat.newest.age_s else "is of the future (the clock was set back)"
        yield (
            f"{vat.name}: the newest record {old}, but one is due every {polls}: the daemon "
            "is not running, or this port is no longer read. Look at the daemon and its log."
        )
    if vat.calibration is None:
        yield (
            f"{vat.name}: no calibration is in force, so no pH is claimed: "
            f"`vatvigil calibrate {vat.probe}` guides you through it."
        )
    if vat.unwatched:
        yield f"{vat.name}: {vat.unwatched}."
    elif vat.target is not None and vat.target.unwatched:
        yield f"{vat.name}: {vat.target.unwatched}."
    if vat.target is not None and vat.target.above_again:
        yield f"{vat.name}: the target was shown, and pH is above it again: hold the batch."
    yield from _unacknowledged(vat.name, vat.alarms)


def _unacknowledged(name: str, standing: list[StandingAlarm]) -> Iterator[str]:
    for alarm in standing:
        if alarm.acknowledge:
            yield f"{name}: {alarm.alarm} is not acknowledged: `vatvigil alarms ack {alarm.vat} {alarm.alarm}`."


def _outbox_wants(config: Config, outbox: Waiting, now: StatusTime) -> Iterator[str]:
    waits_s = now.age_s(outbox.oldest_at_us) or 0.0
    if config.mqtt is not None and waits_s > OUTBOX_S:
        yield f"Messages have been waiting for the broker for {age(waits_s)}: `vatvigil check` tries it."
