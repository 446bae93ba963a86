"""Runs the notification hook (the second way out): an executable that gets urgent events the broker does not accept."""

from logger.hook.hook import Hook
from logger.hook.runner import HookResult

__all__ = ["Hook", "HookResult"]
