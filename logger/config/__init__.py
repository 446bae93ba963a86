"""Declare the settings as frozen objects: each with its unit in its name, its type, its bounds and its default.

Law: a setting is declared here and nowhere else; `logger/settings` makes these objects from files.
"""

from logger.config.alarm_kinds import RETIRED, AlarmKind
from logger.config.alarms import STALL_WINDOWS, AlarmConfig, default_alarm
from logger.config.channels import DeadManConfig, HookConfig, PushConfig
from logger.config.kind_row import Group, Health, KindRow, LookBack, Presence, Priority, Signal
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
from logger.config.whole import SIMULATED_CLIENT_ID, Config, MqttConfig, Simulation, SystemConfig

__all__ = [
    "RETIRED",
    "SIMULATED_CLIENT_ID",
    "STALL_WINDOWS",
    "AlarmConfig",
    "AlarmKind",
    "BufferConfig",
    "CalibrationLimits",
    "Checksum",
    "Config",
    "DeadManConfig",
    "ErrorModel",
    "Group",
    "Health",
    "HookConfig",
    "KindRow",
    "LookBack",
    "MqttConfig",
    "Parity",
    "PeopleConfig",
    "Presence",
    "Priority",
    "ProbeConfig",
    "Protocol",
    "PushConfig",
    "QualityLimits",
    "QuietConfig",
    "ScpiConfig",
    "Signal",
    "Simulation",
    "SystemConfig",
    "TargetConfig",
    "TextConfig",
    "VatConfig",
    "default_alarm",
]
