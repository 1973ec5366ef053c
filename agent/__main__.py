"""`python -m agent` is `lanewright`."""

from agent.cli import start

start()
