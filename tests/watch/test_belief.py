"""Belief in each record on its way through the pipeline."""

import numpy as np

from logger.alarm.belief_words import Evidence, evidence_of, sentence
from logger.measure import windows
from logger.model import Belief, CheckKind, Command, CommandKind, Measurements, WatchState
from logger.model import QualityTests as Against
from logger.structs import replace
from tests.series import EPOCH_US, block, calibrate, carry_over, check, millivolts, watch

HOUR = 360
"""Records of an hour."""


def night() -> list[float | None]:
    """Return potentials (mV): a quiet hour, ten minutes without a reply, half an hour in air, two quiet hours."""
    rng = np.random.default_rng(5)
    calm = rng.normal(millivolts(4.7), 0.3, 3 * HOUR)
    air = rng.normal(millivolts(5.2), 9.0, HOUR // 2)
    return [*calm[:HOUR], *[None] * 60, *air, *calm[HOUR:]]


def asked(kind: CommandKind, seq: int, **more: object) -> Command:
    return Command(id=seq, at_us=EPOCH_US, kind=kind, vat="vat", probe="probe", seq=seq, **more)  # type: ignore[arg-type]


SPOT = replace(check(-0.03, at_s=600.0, reference_ph=4.74, kind=CheckKind.SPOT), id=8)
COMMANDS = [
    calibrate(),
    asked(CommandKind.CHECK, 30, check=replace(check(0.01, at_s=280.0), id=7)),
    asked(CommandKind.CHECK, 61, check=SPOT),
]


def watched(*more: Command) -> tuple[WatchState, Measurements]:
    mv = night()
    warm = np.where(np.arange(len(mv)) % 2, 20.0, 20.1)
    aired = slice(HOUR + 60, HOUR + 60 + HOUR // 2)
    warm[aired] = 17.0 + np.random.default_rng(6).normal(0, 0.4, HOUR // 2)
    state, outcomes = carry_over(watch(), block(mv, warm.tolist()), commands=[*COMMANDS, *more])
    return state, outcomes[0].measurements


def told(rows: Measurements, row: int) -> str:
    """Tell a past record again from what is stored: its columns, and the checks by their ids."""
    checks = {c.check.id: c.check for c in COMMANDS if c.check}
    check_told, spot_told = (checks.get(int(column[row])) for column in (rows.check, rows.spot))
    evidence = Evidence(calibration=COMMANDS[0].calibration, check=check_told, spot=spot_told)
    return sentence(rows, evidence, row=row)


def test_the_stored_belief_is_the_one_that_process_alarms_go_by() -> None:
    _, rows = watched()
    assert rows.belief.tolist() == windows.ph_belief(rows).tolist()
    assert set(rows.belief.tolist()) == {Belief.BELIEVED, Belief.NOT_BELIEVED}


def test_a_night_tells_itself_from_what_is_stored() -> None:
    state, rows = watched()
    jumped = "the reading jumped as no vat does, so trust in the probe is lost"
    lifted = int(np.flatnonzero(rows.tests & Against.JUMPED)[0])
    assert [told(rows, row) for row in (0, 29, HOUR - 1, HOUR + 59, lifted + 6)] == [
        "Believed: watched for too short a time to tell more, calibrated 0 min ago and not checked since",
        "Believed: watched for too short a time to tell more, checked 0 min ago",
        "Believed: nothing speaks against the probe, checked 55 min ago, spot check 49 min ago agrees 4.71 / 4.74",
        "Not believed: no reading, no reply in time, since 19:00 UTC (9 min)",
        f"Not believed: {jumped}, since {_clock(rows, lifted)} UTC (1 min)",
    ]
    assert told(rows, -1) == sentence(rows, evidence_of(state.carry))
    assert told(rows, -1).startswith("Believed: nothing speaks against the probe, checked 3 h ago")


def _clock(rows: Measurements, row: int) -> str:
    minutes = (int(rows.at_us[row]) - EPOCH_US) // 60_000_000
    return f"{18 + minutes // 60}:{minutes % 60:02d}"


def test_what_is_read_while_somebody_works_on_the_probe_is_not_believed_of_the_vat() -> None:
    state, rows = watched(asked(CommandKind.ATTEND, 101, duration_s=600.0), asked(CommandKind.LEAVE, 131))
    assert (rows.belief[99], rows.belief[129], rows.belief[130]) == (
        Belief.BELIEVED,
        Belief.NOT_BELIEVED,
        Belief.BELIEVED,
    )
    assert told(rows, 106) == (
        "Not believed: somebody works on the probe or has it out of the vat, since 18:16 UTC (1 min)"
    )
    assert state.carry.reported.believed_at_us == rows.at_us[-1]


def test_a_new_calibration_knows_of_no_check() -> None:
    _, rows = watched(replace(calibrate(), id=200, seq=200))
    assert (rows.check[198], rows.check[199], rows.spot[199]) == (7, 0, 0)
