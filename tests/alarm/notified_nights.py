"""Nights that end in each kind of alarm, for the texts they get; a record every 10 s from 18:00 UTC."""

from collections.abc import Sequence

import numpy as np

from logger.config import AlarmConfig, PeopleConfig
from logger.model import Block, Command, Reason
from logger.structs import replace
from tests.alarm.notation import Night, carried
from tests.series import block, calibrate, millivolts, watch

HOUSE = PeopleConfig(zone="Europe/Paris")


def marrow(rows: Block, *alarms: AlarmConfig, people: PeopleConfig = HOUSE, commands: Sequence[Command] = ()) -> Night:
    bare = watch(*alarms)
    vat = replace(bare.vat, id="marrow", name="Marrow", people=people)
    return carried(replace(bare, vat=vat), rows, [replace(calibrate(), vat="marrow"), *commands])


def acid(hours: float, *, begin: float = 5.0, per_h: float = -0.1, warm: float = 20.0) -> list[tuple[float, float]]:
    """Potential and temperature of a vat whose pH changes steadily, with some noise (mV) in it."""
    rng = np.random.default_rng(7)
    n = round(hours * 360)
    return [(millivolts(begin + per_h * i / 360, warm) + rng.normal(0, 0.5), warm) for i in range(n)]


def rows_of(rows: Sequence[tuple[float | None, float]], reason: Reason = Reason.TIMEOUT) -> Block:
    made = block([mv for mv, _ in rows], [warm for _, warm in rows])
    return replace(made, reason=np.where(made.reason != 0, int(reason), 0))
