"""What a person reads on the screen, what is wrong first; text cannot steer it."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:  # what follows is slow to import, and --help must be quick
    from planner.model import Comparison, EarlierPlan, LedgerEntry, Plan, Site
    from planner.outputs.display import Display

CAUTION = (
    "This is a proposal, not permission to dig: have every service located and exposed, follow "
    "the local codes, and have a licensed engineer decide."
)
MOST_WRONG, MOST_LINES = 5, 3  # on the screen of a plan; its files hold the rest
DRAWN = ("pits", "legs", "connections")  # layers of a design, which no project file names
MOST_CHANGES = 8  # of one kind that are listed
ENDLESS = 10_000  # characters of a line that nothing wraps
MOST_ALSO = 4  # further subjects of a broken rule that are named
ROWS = ("read", "used", "repaired", "refused", "ignored")
LEDGER = {
    "refused": "Refused", "doubt": "Doubtful", "repaired": "Repaired", "assumed": "Assumed",
    "ignored": "Ignored",
}  # fmt: skip

err = Console(stderr=True, highlight=False)


def safe(text: object) -> str:
    r"""Text with everything that a terminal would obey made visible.

    Examples
    --------
    >>> safe("a\x1b[31mb\n")
    'a\\x1b[31mb\\n'
    """
    return "".join(
        c if c.isprintable() or unicodedata.category(c) == "Zs" else ascii(c)[1:-1]
        for c in str(text)
    )


def say(text: object, style: str = "", indent: int = 0) -> None:
    """Print a line to standard error; only a terminal wraps it."""
    line = Text(safe(text), style=style)
    if err.is_terminal:
        err.print(Padding(line, (0, 0, 0, indent)))
    else:
        err.print(Text(" " * indent) + line, soft_wrap=True)


def say_lines(title: str, lines: list[str], most: int, rest: str = "") -> None:
    """Print a heading with its lines under it; the rest is counted, and said to be somewhere."""
    if not lines:
        return
    say(f"{title} ({len(lines)})", "bold")
    for line in lines[:most]:
        say(line, indent=2)
    if len(lines) > most:
        say(f"and {len(lines) - most} more in {rest}", indent=2)


def show_inputs(site: Site) -> None:
    """One screen of what was read, what is wrong first; every entry is there."""
    from planner.outputs.display import Display  # noqa: PLC0415  (quick --help)

    show = Display.of(site.project)
    say(heading(site, show), "bold")
    for kind, title in LEDGER.items():
        if kind == "repaired":  # what is wrong stands above the count, what was mended below
            show_counts(site)
        entries = [entry for entry in site.ledger if entry.kind == kind]
        say_lines(title, [entry_words(entry, show) for entry in entries], len(entries))
    say(CAUTION)


def show_counts(site: Site) -> None:
    """Rows of each layer: read, and what became of them."""
    table = Table("Layer", box=None, pad_edge=False, header_style="bold")
    for name in ROWS:
        table.add_column(name.capitalize(), justify="right")
    for layer, counts in site.row_counts.items():
        table.add_row(Text(safe(layer)), *(str(counts[name]) for name in ROWS))
    err.print(table)


def show_plan(made: Plan, files: Mapping[str, Path]) -> None:
    """One screen: what is wrong, then what was read, assumed and found, and where the files are."""
    from planner.outputs.display import Display  # noqa: PLC0415  (quick --help)

    show = Display.of(made.site.project, str(made.summary["totals"]["currency"]))
    say(f"{heading(made.site, show)} – {made.summary['status']}", "bold")
    wrong = [breach_words(breach, show) for breach in breaches_of(made)]
    say_lines("Wrong", wrong, MOST_WRONG, "plan.json")
    show_rest(made, files, show, MOST_LINES)


def show_check(made: Plan, files: Mapping[str, Path]) -> None:
    """One screen: what is wrong in a design, where, and what to do about it, rule by rule."""
    from planner.outputs.display import Display  # noqa: PLC0415  (quick --help)

    show = Display.of(made.site.project, str(made.summary["totals"]["currency"]))
    wrong = breaches_of(made)
    state = (
        "nothing is wrong"
        if not wrong
        else f"{len(wrong)} {'thing is' if len(wrong) == 1 else 'things are'} wrong"
    )
    say(f"{heading(made.site, show)} – {state}; {made.summary['status']}", "bold")
    rules = list(dict.fromkeys(breach["rule"] for breach in wrong))
    for rule in rules[:MOST_WRONG]:
        first, *others = [breach for breach in wrong if breach["rule"] == rule]
        say(f"{breach_words(first, show)}{also_words(others)}", "bold", indent=2)
        say(f"→ {show.prose(first.get('remedy', ''))}", indent=4)
    if len(rules) > MOST_WRONG:
        say(f"and more, in plan.json: {', '.join(rules[MOST_WRONG:])}", indent=2)
    show_rest(made, files, show, 1)


def also_words(others: list[Mapping[str, Any]]) -> str:
    """Whom else a rule is broken by."""
    names = list(dict.fromkeys(str(breach["subject"]) for breach in others))
    if not names:
        return ""
    rest = f" and {len(names) - MOST_ALSO} more" if len(names) > MOST_ALSO else ""
    return f"; also {', '.join(names[:MOST_ALSO])}{rest}"


def breaches_of(made: Plan) -> list[Mapping[str, Any]]:
    """What breaks a rule; advice does not."""
    return [breach for breach in made.summary["breaches"] if breach["severity"] == "breach"]


def show_rest(made: Plan, files: Mapping[str, Path], show: Display, most: int) -> None:
    """What is not served, was read, assumed and found, and where the files are."""
    summary, site = made.summary, made.site
    doubts = sum(entry.kind in ("refused", "doubt") for entry in site.ledger)
    unserved = made.connections[~made.connections["served"].astype(bool)]
    left_out = [
        f"{name}: {show.prose(why)}"
        for name, why in zip(unserved["property_id"], unserved["why_not"], strict=True)
    ]
    assumed = [f"{a['layer']}: {show.prose(a['what'])}" for a in summary["assumptions"]]
    assumed.sort(key=lambda line: not line.startswith("design"))
    say_lines("Not served", left_out, most, "plan.gpkg, layer connections")
    say_lines("Cannot hold together", together_words(made), most, "plan.json")
    if doubts:
        say(f"Doubtful in what was read: {doubts}, which `pitline inputs` lists", "bold")
    counts = [(layer, rows["read"]) for layer, rows in site.row_counts.items() if rows["read"]]
    counts += [(f"design's {f.layer}", f.rows) for f in site.inputs if f.layer in DRAWN]
    say(f"Read: {', '.join(f'{layer} {rows}' for layer, rows in counts)}")
    say_lines("Assumed", assumed, most, "plan.json")
    advice = len(summary["breaches"]) - len(breaches_of(made))
    say(f"Found: {found_words(made, show, advice)}")
    for line in bound_words(made, show) + settled_words(made, show):
        say(line)
    say_lines("Other streets", other_words(made, show), MOST_LINES, "plan.json")
    folder = files["plan.json"].parent
    say(f"Files in {folder}: {', '.join(name for name in files if name != 'map.html')}")
    say(f"Map: {files['map.html']}")
    say(CAUTION)


def heading(site: Site, show: Display) -> str:
    """What the project is, and what its figures are in."""
    units = f"{show.unit('length')}, {show.unit('nominal')}"
    return f"{site.project.name} ({site.project.vertical_datum}; {units})"


def entry_words(entry: LedgerEntry, show: Display) -> str:
    """One entry of the ledger: where, and what."""
    from planner.inputs.words import rows_listed  # noqa: PLC0415  (quick --help)
    from planner.outputs.map_overview import ledger_words  # noqa: PLC0415  (quick --help)

    file = f"{entry.layer} ({entry.file})" if entry.file else entry.layer
    rows = rows_listed(entry.rows) if entry.rows else ""
    return f"{', '.join(filter(None, (file, entry.column, rows)))}: {ledger_words(entry, show)}"


def breach_words(breach: Mapping[str, Any], show: Display) -> str:
    """A broken rule: which, where, what it is and what it must be."""
    value, limit = (measure_words(breach[key], breach["unit"]) for key in ("value", "limit"))
    shown = show.prose(value), show.prose(limit)
    if shown[0] != shown[1]:  # rounded for people, the two may look alike: then as they are
        value, limit = shown
    other = f" with {breach['with']}" if breach.get("with") else ""
    if breach.get("station_m") is not None:
        other = f" at {show.text('length', breach['station_m'])}{other}"
    return f"{breach['subject']}{other}: {breach['rule']} is {value}, must be {limit}"


def measure_words(value: object, unit: str) -> str:
    """A figure with its unit, as far as it is one.

    Examples
    --------
    >>> measure_words(0.25, "m"), measure_words(0.5, "1"), measure_words(2, "")
    ('0.25 m', '0.5', '2')
    """
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return str(value)
    name = "" if unit == "1" else unit  # of a share
    return f"{value:.6f}".rstrip("0").rstrip(".") + f" {name}".rstrip()


def found_words(made: Plan, show: Display, advice: int) -> str:
    """What the plan comes to, in a line."""
    totals, severity = made.summary["totals"], made.conflicts["severity"]
    parts: Iterable[str] = (
        f"{totals['legs']} legs, {show.text('length', totals['length_m'])}",
        f"{totals['pits']} pits",
        f"{totals['served']} of {totals['properties']} properties served",
        show.text("money", totals["cost"]),
        ", ".join(f"{count} {name}" for name, count in severity.value_counts().items()),
        f"advice: {advice}" if advice else "",
    )
    return "; ".join(filter(None, parts))


def together_words(made: Plan) -> list[str]:
    """What bars each of the things that cannot be served."""
    return [
        f"{one['subject']}: {', '.join(one['together'])}"
        for one in made.summary.get("cannot_hold_together") or []
    ]


def bound_words(made: Plan, show: Display) -> list[str]:
    """How far the plan can be from the cheapest one, where that is proven."""
    known = made.summary.get("optimality") or {}
    if known.get("gap_pct") is None:
        return []
    cost, least = (show.text("money", known[name]) for name in ("cost", "lower_bound"))
    gap = f"{known['gap_pct']:.2f} %"
    words = (
        f"Proven: no plan that was looked over saves more than {gap} of the {cost} that the search "
        f"decides; none costs less than {least}"
    )
    here = known.get("on_these_streets") or {}
    if here and here["gap_pct"] < known["gap_pct"] - 0.005:
        words += f"; in these streets none saves more than {here['gap_pct']:.2f} %"
    return [words]


def other_words(made: Plan, show: Display) -> list[str]:
    """What other streets would cost."""
    mine = (made.summary.get("optimality") or {}).get("cost")
    found = []
    for one in made.summary.get("alternatives") or []:
        cost = one["cost"] if one["cost"] is not None else one["costs_at_least"]
        more = "at least " if one["cost"] is None else ""
        if mine is not None and one["streets"]:
            what = ", ".join(one["streets"])
            found.append(f"{what} otherwise: {more}{show.text('money', cost - mine)} more")
    return found


def settled_words(made: Plan, show: Display) -> list[str]:
    """What the project settles beforehand, and what that costs."""
    known = made.summary.get("settled_beforehand") or {}
    if not known:
        return []
    fewer = f", and serves {known['serves_fewer']} fewer" if known["serves_fewer"] else ""
    costs = show.text("money", known["costs_more"])
    return [f"Settled beforehand: {'; '.join(known['what'])}. It costs {costs} more{fewer}"]


def show_comparison(made: Comparison, plans: list[EarlierPlan], page: Path | None) -> None:
    """Plans side by side, then what changed."""
    from planner.outputs.comparison import BEST, display_of, table_of  # noqa: PLC0415

    show = display_of(plans)
    for line in made.cautions:
        say(show.prose(line), "bold")
    cells = table_of(made, show)
    table = Table(box=None, pad_edge=False)
    for k, head in enumerate(cells[0]):
        table.add_column(
            Text(safe(head), style="bold"), justify="right" if k else "left", overflow="fold"
        )
    for row in cells[1:]:
        table.add_row(*(Text(safe(cell)) for cell in row))
    if not err.is_terminal:  # only a terminal wraps
        endless = err.options.update(width=ENDLESS)
        table.width = err.measure(table, options=endless).maximum
    err.print(table, crop=False)
    say(f"{BEST} the best of a row; in brackets the difference to {made.names[0]}")
    for change in made.changes:
        title = f"{change.what}: {made.names[change.plan]} against {made.names[0]}"
        lines = [show.prose(line) for line in change.lines]
        say_lines(title, lines, MOST_CHANGES, "what --json or --html writes")
    if not made.changes:
        say("Nothing that is listed here differs between the plans.")
    if page is not None:
        say(f"Page: {page}")
    say(CAUTION)
