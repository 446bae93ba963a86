"""What the user decides, as frozen objects with the unit in every name.

Law: no defaults that hurt live anywhere else; `settings.py` is the only maker of these from files. Values marked
[CP] are common practice, no source: tune them.
"""

from logger.config.alarms import STALL_WINDOWS, UPKEEP, AlarmConfig, AlarmKind, Priority
from logger.config.probes import (
    BufferConfig,
    CalibrationLimits,
    Checksum,
    ErrorModel,
    Parity,
    ProbeConfig,
    Protocol,
    QualityLimits,
    ScpiConfig,
    TextConfig,
)
from logger.config.vats import PeopleConfig, QuietConfig, TargetConfig, VatConfig
from logger.config.whole import SIMULATED_CLIENT_ID, Config, HookConfig, MqttConfig, Simulation, SystemConfig

__all__ = [
    "SIMULATED_CLIENT_ID",
    "STALL_WINDOWS",
    "UPKEEP",
    "AlarmConfig",
    "AlarmKind",
    "BufferConfig",
    "CalibrationLimits",
    "Checksum",
    "Config",
    "ErrorModel",
    "HookConfig",
    "MqttConfig",
    "Parity",
    "PeopleConfig",
    "Priority",
    "ProbeConfig",
    "Protocol",
    "QualityLimits",
    "QuietConfig",
    "ScpiConfig",
    "Simulation",
    "SystemConfig",
    "TargetConfig",
    "TextConfig",
    "VatConfig",
]
