"""`python -m agent` is `lanewright`. Ctrl-C is seen to before anything else is loaded."""

from agent.interrupt import from_now_on

__all__ = ["start"]


def start() -> None:
    """Run the program as a process of its own."""
    from_now_on()
    from agent.cli import start as run

    run()


if __name__ == "__main__":
    start()
