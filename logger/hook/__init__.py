"""The second way out: an executable that is told of what wakes a person while the broker takes nothing."""

from logger.hook.hook import Hook
from logger.hook.runner import HookResult

__all__ = ["Hook", "HookResult"]
