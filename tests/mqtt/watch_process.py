"""A process that keeps a line to a broker until it is killed: `python -m tests.mqtt.watch_process PORT`."""

import sys

from tests.mqtt.factories import line

if __name__ == "__main__":
    with line(int(sys.argv[1]), keepalive_s=60) as ours:
        ours.settle()
        sys.stdout.write("online\n")
        sys.stdout.flush()
        ours.run_until(lambda: False, seconds=600)
