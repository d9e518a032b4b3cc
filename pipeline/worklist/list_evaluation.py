"""The night's judgement of its own list: what it promises, what its promises were worth, where it is cut."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.settings import Settings
from pipeline.worklist.carry_over import earlier_table
from pipeline.worklist.decision_curve import decision_curve, list_cut
from pipeline.worklist.hit_rate import hit_rate
from pipeline.worklist.pre_visit_scores import with_scores
from pipeline.worklist.prediction_log import next_book, next_promise


def judge(
    previous: Path | None,
    worth: pl.DataFrame,
    listed: pl.DataFrame,
    visits: pl.DataFrame,
    standing: pl.DataFrame,
    as_of: date,
    settings: Settings,
) -> dict[str, pl.DataFrame]:
    """Return tables promise, promise_book, hit_rate, decision_curve and list_cut of the night `as_of`.

    `previous` is the folder of the run before, None on the first night; `worth`, `listed` (revisit_list) and `standing`
    are tonight's, `visits` is the register.
    """
    own = settings.hit_rate
    promised, book = (earlier_table(previous, name) for name in ("promise", "promise_book"))
    promise = with_scores(next_promise(promised, book, visits, standing, as_of, own), promised, previous, own)
    return {
        "promise": promise,
        "promise_book": next_book(book, listed, as_of, own),
        "hit_rate": hit_rate(promise, own),
        "decision_curve": decision_curve(worth, promise, own),
        "list_cut": list_cut(worth, listed),
    }
