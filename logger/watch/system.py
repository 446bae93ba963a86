"""Judge the system alarms, as one pure function: (alarms, carry, facts, commands) -> (carry, entries, answers).

Law: the same delays, the same state table and the same requests as for a vat; only what is judged differs: facts about
the machine, handed in as values with their time. They are no records of a probe, so a replay sees nothing of them; the
journal keeps them (`Entry.seq` 0, no vat). One cause, one alarm: while the broker is away, the outbox is paused. A
stepped clock is momentary: it annunciates and returns in one step, and waits for a person.

The answers have no probe, so that no recording takes them along. What cannot be judged is no alarm (no broker, a store
on a server). Only changes are stored: a pending delay begins anew after a restart, as after any gap. What was told
while the store took nothing is remembered beside it (`daemon/told_file.py`).
"""

from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any

import numpy as np

from logger.alarm import evaluate, notification, quiet_hours
from logger.alarm.conditions import Code
from logger.alarm.lifecycle import Now
from logger.config import AlarmConfig, AlarmKind, Config, PeopleConfig, Presence, ProbeConfig, VatConfig, default_alarm
from logger.errors import RefusedError, refusing
from logger.model import (
    AlarmState,
    Answer,
    Carry,
    Cause,
    Command,
    CommandKind,
    Entry,
    Floats,
    Measurements,
    Notification,
)
from logger.structs import Struct, replace
from logger.units import SECOND_US
from logger.watch import rehearsal
from logger.watch.commands import commands_between

SYSTEM = "system"
"""What the watch is called where a vat would be named: in commands, topics and the store. No vat can be called so."""
LONGEST_GAP_S = 60.0
"""Facts are judged every second; a delay that spans more without any begins anew. Common practice, no source."""
KINDS = tuple(kind for kind in AlarmKind if kind.is_system)
"""Their delays are in real seconds; those of high priority go the second way out."""
_ASKED = frozenset(
    {
        CommandKind.ACKNOWLEDGE,
        CommandKind.RESET,
        CommandKind.SHELVE,
        CommandKind.UNSHELVE,
        CommandKind.OUT_OF_SERVICE,
        CommandKind.RETURN_TO_SERVICE,
        CommandKind.NOTE,
    }
)
"""What can be asked of the system; the rest is of a vat or its probe."""
_NO_PROBE = ProbeConfig(id="", port="")


class SystemFacts(Struct, frozen=True, kw_only=True):
    """What the service knows of itself at a moment (UTC and watch time, microseconds). Empty text: all is well."""

    at_us: int
    elapsed_us: int
    has_broker: bool = True
    broker: str = ""
    """Why there is no connection to the broker."""
    channels: str = ""
    """What failed of the ways out beside the broker when they were used last."""
    shared: str | None = ""
    """That another store uses our topics or our client id there; None: it is not known now."""
    refused: str = ""
    """What the broker says to what waits."""
    unheard: bool = False
    """The broker said of the newest event that nobody listens."""
    waiting: int = 0
    """Events that the broker does not have."""
    disk: str | None = ""
    """What is wrong with the room for the log; None: nobody has looked yet."""
    disk_in_deadband: bool = False
    """There is room again, but not yet enough to say so."""
    store: str = ""
    """Why the store takes nothing."""
    renewed: str = ""
    """What became of a store that was damaged or lost since the facts before."""
    stepped_s: float = 0.0
    """By how much the wall clock was stepped since the facts before; 0: it was not."""
    steps_untold: int = 0
    """So many steps before this one were not told, for there were too many."""


def vat_of(config: Config) -> VatConfig:
    """Return the system's alarms as those of a vat. Their times are real: in accelerated time they are stretched."""
    speed = config.simulation.speed if config.simulation else 1.0
    given = {alarm.kind: alarm for alarm in config.system.alarms}
    chosen = [given.get(kind) or default_alarm(kind) for kind in KINDS if _is_present(kind.row.presence, config)]
    people = next((vat.people for vat in config.vats), PeopleConfig())
    alarms = tuple(_stretched(alarm, speed) for alarm in chosen)
    return VatConfig(id=SYSTEM, name="System", probe="", alarms=alarms, people=people)


def _is_present(presence: Presence, config: Config) -> bool:
    """Tell whether there is anything here that such an alarm could judge."""
    if presence is Presence.WITH_STORE_FILE:
        return config.store_url.startswith("sqlite")
    if presence is Presence.WITH_WAY_OUT:
        return config.has_way_out
    return presence is not Presence.WITH_BROKER or bool(config.mqtt)


def _stretched(alarm: AlarmConfig, speed: float) -> AlarmConfig:
    return replace(
        alarm,
        on_delay_s=alarm.on_delay_s * speed,
        off_delay_s=alarm.off_delay_s * speed,
        realarm_s=alarm.realarm_s and alarm.realarm_s * speed,
        reminder_s=alarm.reminder_s and alarm.reminder_s * speed,
    )


def fresh() -> Carry:
    """Return what is carried of a system that never ran."""
    return Carry(probe="")


def step(
    vat: VatConfig, carry: Carry, facts: SystemFacts, commands: Iterable[Command] = (), *, speed: float = 1.0
) -> tuple[Carry, list[Entry], list[Answer]]:
    """Apply commands, then judge the facts; `speed`: of accelerated time."""
    audible = quiet_hours.quiet_span(vat.people, facts.at_us).audible
    now = Now(at_us=facts.at_us, elapsed_us=facts.elapsed_us, audible=audible)
    asked = [*commands]
    mine = [command for command in asked if command.kind in _ASKED]
    carry, entries, answers = commands_between(vat, _NO_PROBE, carry, mine, seq=0, now=now)
    for command in asked:
        if command.kind not in _ASKED:
            carry, answer = _apply_system_command(vat, carry, command, speed=speed, now=now)
            answers.append(answer)
    carry, steps = rehearsal.follow(carry, _ways_out(facts), now=now)
    entries += steps
    states, conditions = dict(carry.alarms), _conditions(facts, carry)
    for alarm in vat.alarms:
        codes, text = conditions[alarm.kind]
        if _sleeps(states.get(alarm.id), alarm, codes):
            continue
        state, numbered = evaluate.run(
            vat.id,
            alarm,
            states.get(alarm.id, AlarmState()),
            rows=_row(facts),
            series=_series(facts, codes),
            max_gap_us=round(LONGEST_GAP_S * speed * SECOND_US),
            audible=audible,
        )
        numbered = [(row, _with_text(vat, alarm, entry, text)) for row, entry in numbered]
        notifications = [entry.told for _, entry in numbered if entry.told]
        states[alarm.id] = replace(state, told=notifications[-1]) if notifications else state
        entries += [entry for _, entry in numbered]
    return replace(carry, alarms=states), [_as_system_entry(entry) for entry in entries], answers


def _ways_out(facts: SystemFacts) -> rehearsal.WaysOut:
    return rehearsal.WaysOut(
        has_broker=facts.has_broker,
        away=facts.broker,
        refused=facts.refused,
        unheard=facts.unheard,
        waiting=facts.waiting,
        others=facts.channels,
    )


def _conditions(facts: SystemFacts, carry: Carry) -> Mapping[AlarmKind, tuple[list[Code], str]]:
    """Return of each kind what the facts say for or against it, and their words."""
    disk = Code.IN_DEADBAND if facts.disk_in_deadband else _code(facts.disk)
    disk = Code.SILENT if facts.disk is None else disk
    shared = Code.SILENT if facts.shared is None else _code(facts.shared)
    waits = f"{facts.waiting} wait" if facts.waiting > 1 else "one waits"
    step = [Code.ABNORMAL, Code.PAST_DEADBAND] if facts.stepped_s else [Code.PAST_DEADBAND]
    renewed = [Code.ABNORMAL, Code.PAST_DEADBAND] if facts.renewed else [Code.PAST_DEADBAND]
    return {
        AlarmKind.BROKER_AWAY: ([_code(facts.broker)], facts.broker),
        AlarmKind.BROKER_SHARED: ([shared], facts.shared or ""),
        AlarmKind.OUTBOX_AGE: (
            [Code.SILENT if facts.broker else _code(facts.waiting)],
            f"{waits}. {facts.refused or 'Look at the broker and its log.'}",
        ),
        AlarmKind.DISK_LOW: ([disk], facts.disk or ""),
        AlarmKind.CLOCK_STEPPED: (step, _stepped(facts)),
        AlarmKind.STORE_RENEWED: (renewed, facts.renewed),
        AlarmKind.STORE_UNWRITABLE: ([_code(facts.store)], facts.store),
        AlarmKind.REHEARSAL: ([_code(carry.reported.rehearsal.until_us)], ""),
        AlarmKind.REHEARSAL_FAILED: ([_code(carry.reported.rehearsal.failed)], carry.reported.rehearsal.failed),
    }


def _sleeps(state: AlarmState | None, alarm: AlarmConfig, codes: list[Code]) -> bool:
    """Tell whether nothing can turn or fall due: so it is of nearly all alarms, and this is asked each second."""
    if state is None or state.kind != alarm.kind.value or state.abnormal or Code.ABNORMAL in codes:
        return False
    return state.pending_us is state.timer_us is state.shelved_until_us is None


def _stepped(facts: SystemFacts) -> str:
    more = f"; {facts.steps_untold} steps before it were not written down" if facts.steps_untold else ""
    return f"{facts.stepped_s:+.0f} s; delays go by the steady clock{more}"


def _code(wrong: object) -> Code:
    return Code.ABNORMAL if wrong else Code.PAST_DEADBAND


def _with_text(vat: VatConfig, alarm: AlarmConfig, entry: Entry, text: str) -> Entry:
    """Add what the facts say to an entry that tells that something is wrong, and its lines for a telephone."""
    if not notification.needs_notification(entry):
        return entry
    notification_ = Notification(lines=notification.own_lines(vat, alarm, entry, detail=text), facts=None)
    is_over = entry.cause is Cause.RETURNED or not text
    return replace(entry, told=notification_, text=entry.text if is_over else f"{entry.text}: {text}")


def _apply_system_command(
    vat: VatConfig, carry: Carry, command: Command, *, speed: float, now: Now
) -> tuple[Carry, Answer]:
    """Do what is asked of the system alone, or refuse it with a sentence."""
    applied, text = False, f"'{command.kind}' is nothing to ask of the system"
    if command.kind is CommandKind.REHEARSE and AlarmKind.REHEARSAL not in {alarm.kind for alarm in vat.alarms}:
        text = "there is neither a broker nor another way out: nothing could be tested"
    elif command.kind is CommandKind.REHEARSE:
        try:
            with refusing(f"command {command.id}"):
                carry, text = rehearsal.begin(carry, command, speed=speed, now=now)
                applied = True
        except RefusedError as refused:
            text = str(refused)
    return carry, Answer(command=command.id, seq=0, applied=applied, text=text)


def _as_system_entry(entry: Entry) -> Entry:
    """Say that it is the system's, and that a test is one."""
    is_test = entry.alarm == rehearsal.TEST and not entry.text.startswith("TEST")
    return replace(entry, vat="", text=f"TEST: {entry.text}" if is_test else entry.text)


def _row(facts: SystemFacts) -> Measurements:
    """Return the facts as the one row of a block that has no values."""
    columns: dict[str, Any] = {
        column.name: np.full(1, np.nan) if column.type is Floats else np.zeros(1, dtype=np.int64)
        for column in fields(Measurements)
    }
    times = {"at_us": np.array([facts.at_us]), "elapsed_us": np.array([facts.elapsed_us])}
    return Measurements(**{**columns, **times})


def _series(facts: SystemFacts, codes: list[Code]) -> evaluate.Series:
    count = len(codes)
    return evaluate.Series(
        row=np.zeros(count, dtype=np.int64),
        elapsed_us=np.full(count, facts.elapsed_us, dtype=np.int64),
        value=np.full(count, np.nan),
        u=np.full(count, np.nan),
        codes=np.array(codes, dtype=np.int64),
        spoken=np.zeros(count, dtype=np.int64),
    )
