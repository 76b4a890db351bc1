"""`python -m roofplat`: the command, where its script is not on the path.

In: a command line.
Out: the command named in it, run.
"""

from __future__ import annotations

from roofplat.cli.entry import run

if __name__ == "__main__":
    run()
