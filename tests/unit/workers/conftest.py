"""What tests of processes share."""

import subprocess
import sys
import textwrap
import time

import pytest


def living(group):
    """Living processes of a group."""
    told = subprocess.run(["ps", "-eo", "pgid=,stat="], capture_output=True, text=True, check=True).stdout
    rows = [line.split() for line in told.splitlines()]
    return [row for row in rows if row[0] == str(group) and not row[1].startswith("Z")]


def settled(group, count):
    """Wait until a group has so many living processes; how many it has in the end."""
    until = time.monotonic() + 30.0
    while len(living(group)) != count and time.monotonic() < until:
        time.sleep(0.05)
    return len(living(group))


@pytest.fixture
def nobody_left(tmp_path):
    """Run a script that begins processes and prints a line, wait until there are so many, kill it: none is left."""

    def killed(script, count):
        path = tmp_path / "begun.py"
        path.write_text(textwrap.dedent(script), encoding="utf-8")
        with subprocess.Popen([sys.executable, str(path)], stdout=subprocess.PIPE, start_new_session=True) as process:
            process.stdout.readline()
            assert settled(process.pid, count) == count
            process.kill()
        assert settled(process.pid, 0) == 0

    return killed
