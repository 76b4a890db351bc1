"""`python -m tests.benchmarks`: which benchmarks there are, and a way to run one.

In: a name and its options, or nothing.
Out: the names with a line on each; or the tables of one benchmark.

    python -m tests.benchmarks
    python -m tests.benchmarks core --n 10000
"""

from __future__ import annotations

import ast
import runpy
import sys
from pathlib import Path

# In the order in which somebody may want them.
BENCHMARKS = ("core", "build", "state", "ranking", "map", "service", "days", "odds")


def main() -> None:
    """List, or run the one that is named."""
    if len(sys.argv) < 2 or sys.argv[1] in ("-h", "--help"):
        print("python -m tests.benchmarks NAME [OPTIONS]; --help after a name tells its options.")
        for name in BENCHMARKS:
            text = Path(__file__).with_name(f"{name}.py").read_text("utf-8")
            print(f"  {name:<8} {(ast.get_docstring(ast.parse(text)) or '').splitlines()[0]}")
        return
    name = sys.argv[1]
    if name not in BENCHMARKS:
        sys.exit(f"There is no benchmark {name!r}; give one of {', '.join(BENCHMARKS)}.")
    module = f"tests.benchmarks.{name}"
    sys.argv = [f"python -m tests.benchmarks {name}", *sys.argv[2:]]
    runpy.run_module(module, run_name="__main__")


if __name__ == "__main__":
    main()
