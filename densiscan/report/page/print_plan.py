"""The plan of an evening's printing as a page: pure red on black for the dark, black on white on paper."""

from __future__ import annotations

from collections.abc import Sequence

from densiscan.paper.plan import PaperPlan
from densiscan.report.page.templating import filled, own_text
from densiscan.report.paper import HELD
from densiscan.report.printing import plan_note, plan_title, planned_time, sheet_sentences


def plan_html(plans: Sequence[PaperPlan], *, made: str) -> str:
    """Return the page of a plan; one file that asks nothing of anybody.

    Parameters
    ----------
    made
        When, as it is to stand on the page.
    """
    style = own_text("plan.css")
    stacks = [
        {
            "title": plan_title(plan),
            "rows": [
                {
                    "negative": one.negative,
                    "seconds": planned_time(one).replace(HELD, " "),
                    "note": plan_note(one),
                }
                for one in plan.prints
            ],
            "told": [words.replace(HELD, " ") for words in sheet_sentences(plan)],
        }
        for plan in plans
    ]
    return filled("plan.html", stacks=stacks, made=made, style=style)
