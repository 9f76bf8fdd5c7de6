"""Where the command starts: Ctrl-C counts from the first moment, while modules are still being loaded."""

from __future__ import annotations

import os


def main() -> None:
    try:
        from builder.cli import main as run
    except KeyboardInterrupt:
        os._exit(130)
    run()


if __name__ == "__main__":
    main()
