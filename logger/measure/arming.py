"""Tell from which window on an alarm from above counts: a vat begins above its limit, and must first have been below.

Law: pure. An alarm with `armed_ph` counts from the first believed window at or below it, that one included, until
another batch is started; only that word is carried. A calibration disarms nothing: should it show that pH was never so
low, this is what the alarm is to tell. An alarm that looks back (`rise`) is armed where it is measured.
"""

import numpy as np
from numpy.typing import NDArray

from logger.config import AlarmConfig
from logger.measure.windows import WindowMedians
from logger.model import Belief, Trend
from logger.structs import replace


def can_be_unarmed(alarm: AlarmConfig) -> bool:
    """Tell whether there are windows in which the alarm does not count."""
    return alarm.armed_ph is not None and not alarm.kind.is_trend


def is_armed(before: Trend, judged: WindowMedians, alarm: AlarmConfig) -> NDArray[np.bool_]:
    """Tell of each window whether the alarm counts there."""
    if alarm.armed_ph is None or not can_be_unarmed(alarm):
        return np.ones(len(judged), dtype=np.bool_)
    down = (judged.belief == Belief.BELIEVED) & (judged.value <= alarm.armed_ph)
    return np.asarray(before.armed | np.logical_or.accumulate(down))


def follow(before: Trend, judged: WindowMedians, alarm: AlarmConfig) -> Trend:
    """Return what is carried on."""
    return replace(before, armed=before.armed or bool(is_armed(before, judged, alarm).any()))
