"""A second simulated world, for scoring only: hired gear in a steel box, by link budgets and slotted rounds.

Written apart from `agent.world` and from the presence model, and knows nothing of either: what a tally learns from its
own world it may not find again here. A week of one van becomes a folder with a recording, sites, a register, the
vehicle's file and `truth.json`, in the forms of the formats page. Figures without a source are common practice.

    python -m tests.bench.steelbox --seed 3 --days 5 --out FOLDER
    python -m tests.bench.steelbox.scoring FOLDER ...
"""

from tests.bench.steelbox.week import Week, make_week, write_week

__all__ = ["Week", "make_week", "write_week"]
