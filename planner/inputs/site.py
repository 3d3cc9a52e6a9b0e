"""Reads a whole project: every layer, in the order in which one needs another."""

from __future__ import annotations

import gc
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from pyproj import CRS

from planner.errors import RuleError
from planner.inputs.crs import read_project_crs, shown_foot, to_project
from planner.inputs.finish import finish_layers, note_far_from_streets
from planner.inputs.fixed import read_fixed
from planner.inputs.ledger import Ledger, Source
from planner.inputs.place import find_place
from planner.inputs.project_file import ProjectFile, VectorTable, iso_date, read_project_file
from planner.inputs.shapes import keep_placed
from planner.inputs.vector import Layer, fingerprint, read_vector
from planner.inputs.words import printable
from planner.model import LAYER_COLUMNS, InputFile, LedgerEntry, Project, RuleBook, Site
from planner.rules import default_rule_set, load_book

LEVEL_STEP = 0.01  # of the foot or the metre that is shown


def read_site(path: str | Path) -> Site:
    """Read and check everything that a project file names.

    Parameters
    ----------
    path
        The project file.

    Returns
    -------
    The site, SI, its layers in the local frame, with a ledger of all that was assumed, repaired,
    doubted, refused or ignored on the way.

    Raises
    ------
    InputError
        An input cannot be used; the message names file, layer, row, column and remedy.
    RuleError
        A rule, price or machine figure of the project is unknown or cannot be.
    """
    path = Path(path)
    parsed = read_project_file(path)
    book = _read_book(parsed, path)
    crs = read_project_crs(parsed.project.crs, printable(path))
    ledger = Ledger()
    with _collector_paused(), ThreadPoolExecutor(max_workers=1) as hasher:
        layers = _read_layers(parsed, path.parent, crs, ledger)
        place = find_place(parsed, path, crs, layers, ledger)
        hashes = [hasher.submit(fingerprint, path.parent / name) for name in _file_names(parsed)]
        frames = finish_layers(layers, place, (book, iso_date(parsed.project.date)), ledger)
        inputs = _input_files(parsed, hashes, ledger)
    note_far_from_streets(frames, book.rules.number("connection_max_length_m"), ledger)
    return Site(
        project=_project_of(parsed, crs),
        frame=place.frame,
        ground=place.ground,
        book=book,
        ledger=_in_order(ledger.entries),
        inputs=inputs,
        row_counts=ledger.counts(),
        fixed=read_fixed(parsed.layout, frames["streets"], frames["tie_ins"], path),
        **frames,
    )


@contextmanager
def _collector_paused() -> Iterator[None]:
    """Keep the garbage collector from walking many thousand new geometries again and again."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _read_book(parsed: ProjectFile, path: Path) -> RuleBook:
    rules = dict(parsed.rules)
    rule_set = rules.pop("set", default_rule_set(parsed.project.display_units))
    changes = {
        "rules": rules,
        "equipment": parsed.equipment,
        "costs": parsed.costs,
        "traffic": parsed.traffic,
    }
    try:
        return load_book(str(rule_set), changes)
    except RuleError as error:
        raise RuleError(f"file {printable(path)}: {error}") from None


def _file_names(parsed: ProjectFile) -> list[str]:
    """Every file of the project, in the order of the contract of its layers."""
    names = [parsed.ground.path, *(table.path for _, table in parsed.vector_tables())]
    return list(dict.fromkeys(names))


def _read_layers(
    parsed: ProjectFile, base: Path, crs: CRS, ledger: Ledger
) -> list[tuple[str, Layer]]:
    tables = parsed.vector_tables()
    sources = _sources(tables)
    layers = []
    for (name, table), source in zip(tables, sources, strict=True):
        layer = to_project(read_vector(base, source, table, ledger), crs, ledger)
        if len(layer) == 0:
            ledger.note(source, "assumed", (), "the layer has no rows: read as empty")
        layer = keep_placed(layer, ledger)
        layers.append((name, layer))
    for name, words in (
        ("streets", "no street"), ("properties", "no property"), ("tie_ins", "no tie-in"),
    ):  # fmt: skip
        layer = next(layer for own, layer in layers if own == name)
        if len(layer) == 0:
            layer.refuse(f"the layer holds {words} that can be used", "Give at least one")
    return layers


def _sources(tables: Sequence[tuple[str, VectorTable]]) -> list[Source]:
    """A source for each table; a file that one layer uses twice is told apart by its layer."""
    sources: list[Source] = []
    for name, table in tables:
        file = printable(table.path)
        if sum(own == name and other.path == table.path for own, other in tables) > 1:
            file += f":{printable(table.layer)}" if table.layer else ""
        source, again = Source(name, file), 2
        while source in sources:
            source, again = Source(name, f"{file}#{again}"), again + 1
        sources.append(source)
    return sources


def _project_of(parsed: ProjectFile, crs: CRS) -> Project:
    table = parsed.project
    foot = shown_foot(crs, parsed.ground.vertical_unit)
    return Project(
        name=table.name,
        display_units=table.display_units,
        vertical_datum=table.vertical_datum,
        foot=foot,
        level_step=LEVEL_STEP * (foot if table.display_units == "us" else 1.0),
        agency=table.agency,
        number=str(table.number),
        designer=table.designer,
        date=iso_date(table.date),
        start_date=iso_date(table.start_date),
    )


def _input_files(
    parsed: ProjectFile, hashes: list[Future[str]], ledger: Ledger
) -> tuple[InputFile, ...]:
    """Every file that was read, a layer of it at a time, with its fingerprint and rows."""
    hashed = dict(zip(_file_names(parsed), hashes, strict=True))
    tables = parsed.vector_tables()
    files = [InputFile(parsed.ground.path, hashed[parsed.ground.path].result(), 0, "ground")]
    for source, (name, table) in zip(_sources(tables), tables, strict=True):
        digest = hashed[table.path].result()
        files.append(InputFile(table.path, digest, ledger.read[source], name))
    return tuple(files)


def _in_order(entries: Sequence[LedgerEntry]) -> tuple[LedgerEntry, ...]:
    """Entries by layer as the project names them, then file, kind and column."""
    place = {"ground": -1} | {name: i for i, name in enumerate(LAYER_COLUMNS)}
    kinds = ("refused", "doubt", "repaired", "assumed", "ignored")
    return tuple(
        sorted(
            entries,
            key=lambda e: (place[e.layer], e.file, kinds.index(e.kind), e.column, e.what, e.rows),
        )
    )
