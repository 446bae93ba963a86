"""Brings events out beside the broker: the hook, push, and the dead man's switch that is fed while all is well."""

from logger.channels.channel import Channel
from logger.channels.channels import Channels
from logger.channels.dead_man import DeadMansSwitch
from logger.channels.process import RunResult

__all__ = ["Channel", "Channels", "DeadMansSwitch", "RunResult"]
