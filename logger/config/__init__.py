"""Declare the settings as frozen objects: each with its unit in its name, its type, its bounds and its default.

Law: a setting is declared here and nowhere else; `logger/settings` makes these objects from files.
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
