"""Evaluate records purely: the pipeline of a watch, what alarms judge, commands, the watch over the system."""
