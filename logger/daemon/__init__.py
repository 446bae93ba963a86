"""Run the watch: the service and its loop, ports, cycles, publishing, housekeeping, the clock."""
