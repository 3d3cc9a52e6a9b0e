"""Says what makes plans hard to compare, before anybody reads their figures."""

from __future__ import annotations

from collections.abc import Sequence

from planner.model import EarlierPlan
from planner.steps.comparison.bases import figures_changed, files_changed
from planner.steps.comparison.pairing import TIE_IN, datum_of
from planner.steps.comparison.served import served_by
from planner.steps.comparison.words import some


def cautions_of(plans: Sequence[EarlierPlan]) -> list[str]:
    """What makes plans hard to compare, a sentence each, the weightiest first."""
    first = plans[0]
    asked = (_of_served, _of_rules, _of_money, _of_project, _of_place, _of_levels, _of_bases)
    found = [words for plan in plans[1:] for ask in asked for words in ask(first, plan)]
    return [*(words for plan in plans for words in _of_files(plan)), *found]


def _of_served(first: EarlierPlan, plan: EarlierPlan) -> list[str]:
    mine, theirs = served_by(first), served_by(plan)
    if mine == theirs:
        return []
    more, fewer = len(theirs - mine), len(mine - theirs)
    words = (
        f"{plan.name} does not serve the same properties as {first.name} ({more} more, {fewer} "
        "fewer): neither cost is for what the other does"
    )
    return [words]


def _of_rules(first: EarlierPlan, plan: EarlierPlan) -> list[str]:
    mine, theirs = (
        sum(one.get("severity") == "breach" for one in p.summary["breaches"]) for p in (first, plan)
    )
    if mine == theirs:
        return []
    words = (
        f"{plan.name} breaks rules {theirs} times, {first.name} {mine} times: what it would cost "
        "to keep them is in neither cost"
    )
    return [words]


def _of_money(first: EarlierPlan, plan: EarlierPlan) -> list[str]:
    money = [currency_of(p) or "no stated currency" for p in (first, plan)]
    if money[0] == money[1]:
        return []
    return [f"{plan.name} is priced in {money[1]}, not in {money[0]}: its prices are not compared"]


def currency_of(plan: EarlierPlan) -> str:
    """Currency that a plan is priced in."""
    return str(plan.summary["totals"].get("currency") or "")


def _of_project(first: EarlierPlan, plan: EarlierPlan) -> list[str]:
    names = [str(p.summary.get("project") or "") for p in (first, plan)]
    if names[0] == names[1]:
        return []
    return [f"{plan.name} is a plan of {names[1] or '–'}, {first.name} one of {names[0] or '–'}"]


def _of_place(first: EarlierPlan, plan: EarlierPlan) -> list[str]:
    systems = [str(p.summary["crs"]) for p in (first, plan)]
    if plan.legs.crs is not None:
        words = (
            f"{plan.name} lies in {systems[1]}, {first.name} in {systems[0]}, on another datum: "
            "places, pits, legs and directions of flow are not compared"
        )
        return [words]
    if plan.summary["carried"]:
        return [f"{plan.name} lies in {systems[1]} and was carried to {systems[0]}"]
    return []


def _of_levels(first: EarlierPlan, plan: EarlierPlan) -> list[str]:
    datums = [datum_of(p) for p in (first, plan)]
    if "" in datums or datums[0] == datums[1]:
        return []
    words = (
        f"levels of {plan.name} are over {datums[1]}, those of {first.name} over {datums[0]}: "
        "inverts are not compared"
    )
    return [words]


def _of_bases(first: EarlierPlan, plan: EarlierPlan) -> list[str]:
    one, other = first.summary, plan.summary
    lists = (
        ("rules or machine figures", figures_changed(one["rules"], other["rules"])),
        ("prices", figures_changed(one["costs"], other["costs"])),
        ("input files", files_changed(first, plan)),
    )
    return [
        f"{plan.name} rests on other {words} ({some([line.split(':')[0] for line in lines])})"
        for words, lines in lists
        if lines
    ]


def _of_files(plan: EarlierPlan) -> list[str]:
    """Whether the two files of a plan were written by one run, as far as their counts tell."""
    own = int((plan.pits["kind"] != TIE_IN).sum())
    served = int(plan.connections["served"].sum())
    counts = (
        ("legs", "legs", len(plan.legs)), ("pits", "pits", own),
        ("served", "properties served", served),
    )  # fmt: skip
    return [
        f"the files of {plan.name} do not belong together: plan.json counts {said:g} {what}, "
        f"plan.gpkg holds {held}"
        for key, what, held in counts
        if (said := plan.summary["totals"].get(key)) is not None and said != held
    ]
