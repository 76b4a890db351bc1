"""The ranking at scale: how long it takes to rank, to bound the ranks, and to list what to survey next.

In: sizes on the command line.
Out: for each size, in processes of their own: seconds by step, the median of some runs, peak memory;
    then how cost grows with size, and what is wanted.

Half of the roofs are unknown, a quarter recorded, a quarter surveyed: three in four are drawn. Seconds of
the processor are told as well, for a machine that does other things at the same time. Run it with

    python -m tests.benchmarks ranking
    python -m tests.benchmarks ranking --n 1000 --runs 1 --json result.json
"""

from __future__ import annotations

import argparse
import datetime
import itertools
import json
import resource
import statistics
import sys
import time
from typing import Any

import numpy as np

from roofplat.ranking import rank_buildings, survey_next
from roofplat.ranking.intervals import rank_intervals
from roofplat.ranking.outlook import outlook
from roofplat.ranking.score import weight_shares
from roofplat.rules import load_rulebook
from roofplat.tables import RANKING_FACTORS
from tests.benchmarks.frame import from_child, tell, with_json
from tests.ranking.made import district

# What is wanted of the intervals at 100,000 buildings and 1,000 draws.
WANTED = {"intervals_cpu_s": 2.0, "peak_gib": 1.0}
_AS_OF = datetime.date(2026, 1, 1)


def measure(count: int) -> dict[str, Any]:
    """Rank one made-up district once, after a small one to warm up."""
    rules = load_rulebook()
    warm = district(200, seed=0)
    survey_next({**warm, "ranking": rank_buildings(warm, rules, as_of=_AS_OF)}, rules)

    tables: dict[str, Any] = district(count, seed=1)
    before_gib = _peak_gib()
    start = time.perf_counter()
    tables["ranking"] = rank_buildings(tables, rules, as_of=_AS_OF)
    ranked_s = time.perf_counter() - start
    start = time.perf_counter()
    following = survey_next(tables, rules)
    next_s = time.perf_counter() - start
    peak_gib = _peak_gib()

    # The intervals alone, as the ranking asks for them; they must be the same again.
    ranking = tables["ranking"].sort_values("building_id", ignore_index=True)
    roofs = outlook(tables["buildings"], tables, rules)
    factors = ranking[list(RANKING_FACTORS)].to_numpy(dtype=float)
    rank = ranking["rank"].to_numpy(dtype=np.int64)
    start, start_cpu = time.perf_counter(), time.process_time()
    low, high = rank_intervals(factors, weight_shares(rules), roofs, rank, rules)
    intervals_s, intervals_cpu_s = time.perf_counter() - start, time.process_time() - start_cpu
    assert low.tolist() == ranking["rank_low"].tolist()
    assert high.tolist() == ranking["rank_high"].tolist()
    assert len(following) == int((tables["buildings"]["family_basis"] != "surveyed").sum())
    return {
        "buildings": count,
        "draws": rules.count("ranking.draws"),
        "drawn_roofs": int((roofs.chances.max(axis=1) < 1).sum()),
        "ranking_s": ranked_s,
        "intervals_s": intervals_s,
        "intervals_cpu_s": intervals_cpu_s,
        "survey_next_s": next_s,
        "before_gib": before_gib,
        "peak_gib": peak_gib,
        "median_width": float(np.median(high - low)),
    }


def _peak_gib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def main() -> None:
    """Run the sizes, each run in a process of its own, and print the medians."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, nargs="+", default=[1_000, 10_000, 100_000])
    parser.add_argument("--runs", type=int, default=3, help="runs of which the median counts")
    with_json(parser)
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.one is not None:
        print(json.dumps(measure(arguments.one)))
        return
    results = []
    for count in arguments.n:
        command = [sys.executable, "-m", "tests.benchmarks.ranking", "--one", str(count)]
        runs = [from_child(command) for _ in range(arguments.runs)]
        results.append({name: statistics.median(run[name] for run in runs) for name in runs[0]})
    notes = []
    for small, large in itertools.pairwise(results):
        growth = large["intervals_s"] / small["intervals_s"]
        notes.append(
            f"Intervals of {large['buildings']:,.0f} cost {growth:.1f} times those of "
            f"{small['buildings']:,.0f} ({large['buildings'] / small['buildings']:.0f} times the buildings)"
        )
    tell(
        "ranking",
        {"": results},
        keys=("buildings", "draws"),
        wanted=WANTED,
        notes=notes,
        json_file=arguments.json,
    )


if __name__ == "__main__":
    main()
