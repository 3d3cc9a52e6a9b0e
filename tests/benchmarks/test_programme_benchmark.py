"""The programme against other solvers, against a dense product of tables, and as it grows.

Goals: 10,000 times faster than the better of HiGHS and CP-SAT at the largest instance that one of
them proves in 60 s; at most 4 times the bare sampling of the candidate legs; 200 times faster than
a compiled dense product; time in proportion to length to the power of at most 1.1. What is reached
stands in `docs/performance.md`; the alarms below leave room for a busy machine and are no goals.
"""

from __future__ import annotations

import math
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numba import njit
from numpy.typing import NDArray

from planner.kernels import stretches
from planner.kernels.ground import sample_ground
from planner.kernels.optimum import Instance, fill, find_optimum
from planner.kernels.tables import arrivals
from planner.steps.candidates import place
from planner.steps.routing import Given
from planner.steps.routing.memo import Memo
from planner.steps.routing.pricing import build_problem
from planner.steps.routing.search import find_route
from tests.builders import Surface, line, point
from tests.judge.cpsat import solve_cpsat
from tests.judge.instance_file import ROLES, Arrays, read_instance, write_instance
from tests.judge.milp import solve_milp
from tests.judge.ours import as_instance
from tests.judge.repeated import repeated
from tests.judge.sites import given_of_site, instance_of_site

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LIMIT = 60.0  # [s] for each solver
LENGTHS = (45.0, 60.0, 90.0, 110.0, 120.0, 150.0)  # [m] of street
STATIONS = 4.0  # [m] between stations there, so that the solvers get somewhere
SAME = 1e-6  # of the cost
LEAST_OVER_SOLVERS, LEAST_OVER_DENSE, MOST_EXPONENT = 5000.0, 200.0, 1.1  # half of the first goal
MOST_TABLES = 11.0  # of one street, in memory at once
MOST_OVER_SAMPLING = 30.0
ROUNDS = 5


def quickest(work: Callable[[], object], rounds: int = ROUNDS) -> float:
    """Least time of several runs. [s]"""
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def rolling(x: NDArray[Any], y: NDArray[Any]) -> NDArray[Any]:
    """Ground that rises 0.8 % over waves of some decimetres."""
    waves = 0.35 * np.sin(x / 17.0) + 0.2 * np.sin(x / 7.3 + 1.0) + 0.1 * np.sin(y / 5.0)
    return np.asarray(100.0 + 0.008 * x + waves)


def curved_street(length: float, seed: int = 1) -> dict[str, Any]:
    """A street of three lanes in curves, crossed every 14 m, with a cellar in every fifth house."""
    rng = np.random.default_rng(seed)
    kinds = ("gas", "storm", "electric", "water", "telecom")
    crossings = [
        line((x, -20), (x + rng.uniform(-4, 4), 20), kind=kinds[i % 5], diameter_m=0.3,
             depth_m=round(float(rng.uniform(1.2, 2.6)), 2), quality="B")
        for i, x in enumerate(np.arange(12.0, length - 6, 14.0))
    ]  # fmt: skip
    rows = []
    for i, x in enumerate(np.arange(10.0, length, 17.0)):
        floor = round(float(rolling(np.array(x), np.array(0.0))) - 0.6, 2)
        cellar = {"floor_elev_m": floor} if i % 5 == 2 else {}
        rows.append(point(x, 12 if i % 2 else -12, property_id=f"H{i}", **cellar))
    stations = np.linspace(0, length, int(length / 6) + 2)
    places = [(float(x), float(12 * np.sin(x / 60))) for x in stations]
    return site(rolling, line(*places, street="M", lanes=3, row_width_m=20.0), rows, crossings)


def long_street(length: float) -> dict[str, Any]:
    """A straight street of three lanes that rises 1 %, houses every 20 m, no services."""
    rows = [point(x, 12, property_id=f"H{x:g}") for x in np.arange(10.0, length, 20.0)]
    street = line((0, 0), (length, 0), street="M", lanes=3, row_width_m=14.0)  # verges take no pit
    return site(lambda x, y: 100.0 + 0.01 * x + 0 * y, street, rows, None)


def site(ground: Surface, street: Any, rows: Any, utilities: Any) -> dict[str, Any]:
    return {
        "project": {"display_units": "metric"}, "ground": ground, "streets": [street],
        "properties": rows, "utilities": utilities,
        "tie_ins": [point(0, 0, tie_in_id="T", invert_elev_m=95.5)],
    }  # fmt: skip


def proven_by(solve: Callable[..., Any], arrays: Arrays, told: str) -> tuple[float, float] | None:
    """Time and cost of a solver, or nothing where it proves none in time."""
    found = solve(arrays, LIMIT, 2)
    state = "proven" if found.proven else f"not proven, bound {found.bound:,.2f}"
    print(f"    {told}: {found.cost:,.4f} in {found.seconds:.2f} s, {state}")
    return (found.seconds, found.cost) if found.proven else None


def stated(arrays: Arrays, seconds: float, threads: int) -> Any:
    return solve_milp(arrays, seconds, threads, as_stated=True)


@pytest.mark.benchmark(group="programme")
def test_the_programme_is_faster_than_the_better_of_two_solvers(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    benchmark: Callable[[Callable[[], object]], Any],
) -> None:
    monkeypatch.setattr(place, "station_step", lambda _: STATIONS)
    solvers = {"HiGHS, rows as stated": stated, "HiGHS, shapes made exact": solve_milp,
               "CP-SAT, shapes made exact": solve_cpsat}  # fmt: skip
    last: tuple[Arrays, float, float, float] | None = None
    for length in LENGTHS:
        given = given_of_site(tmp_path / f"{length:g}", **curved_street(length))
        write_instance(tmp_path / "instance.npz", instance_of_site(given))
        arrays = read_instance(tmp_path / "instance.npz")
        tell_size(length, arrays)
        found = {name: proven_by(solve, arrays, name) for name, solve in solvers.items()}
        solvers = {name: solvers[name] for name, verdict in found.items() if verdict is not None}
        proofs = [verdict for verdict in found.values() if verdict is not None]
        if not proofs:
            break
        last = (arrays, *min(proofs), time_ours(given, arrays, *min(proofs)))
    assert last is not None
    arrays, theirs, cost, ours = last
    instance = as_instance(arrays)
    benchmark(lambda: find_optimum(instance))
    optimum = find_optimum(instance)
    assert optimum is not None
    assert math.isclose(optimum.cost, cost, rel_tol=SAME)
    assert theirs >= LEAST_OVER_SOLVERS * ours


def anew(given: Given) -> Given:
    """The same, with nothing remembered of what was built before."""
    return replace(given, memo=Memo())


def tell_size(length: float, arrays: Arrays) -> None:
    levels = int((arrays["pits_high"] - arrays["pits_low"]).max()) + 1
    print(f"\n  {length:g} m: {len(arrays['pits_low'])} pits, {len(arrays['legs_up'])} legs, "
          f"up to {levels} levels, {arrays['legs_band_start'][-1]} bands")  # fmt: skip


def time_ours(given: Given, arrays: Arrays, theirs: float, cost: float) -> float:
    """Time from places for pits to the optimum. [s]"""
    instance = as_instance(arrays)
    optimum = find_optimum(instance)
    assert optimum is not None
    alone = quickest(lambda: find_optimum(instance))
    served = np.zeros(len(given.site.properties), bool)
    served[np.concatenate([chain.properties for chain in given.layout.chains])] = True
    route = find_route(anew(given), served)
    assert route is not None
    assert math.isclose(route.optimum.cost, optimum.cost, rel_tol=SAME)
    whole = quickest(lambda: find_route(anew(given), served), 4 * ROUNDS)
    every = quickest(lambda: build_problem(anew(given), served))
    print(f"    ours {optimum.cost:,.4f} against {cost:,.4f}: {alone * 1e3:.2f} ms, "
          f"{theirs / alone:,.0f} times faster; with geometry, {whole * 1e3:.2f} ms, "
          f"{theirs / whole:,.0f} times; all bound {(alone + every) * 1e3:.1f} ms")  # fmt: skip
    return whole


@njit(cache=False)
def _dense_arrivals(
    v: int, low: Ints, high: Ints, arrive_high: Ints, ground: Floats, start: Ints, up: Ints,
    out_group: Ints, in_group: Ints, first: int, falls: Ints, price: Floats, rates: Floats,
    own: Ints, rows: Ints, row_t: Floats, row_h: Floats, roles: Ints, offset: Ints,
    tables: Floats, best: Floats,
) -> None:  # fmt: skip
    """Arrivals at a pit by every pair of levels of every leg and drive, tested straight."""
    for leg in range(start[v], start[v + 1]):
        u = up[leg]
        size = high[u] - low[u] + 1
        for drive in range(4):
            if price[leg, drive] == np.inf:
                continue
            begin = offset[out_group[leg]] + roles[drive, 0] * size
            into = best[in_group[leg] - first, roles[drive, 1]]
            for a in range(low[v], arrive_high[v] + 1):
                least = np.inf
                for z in range(low[u], high[u] + 1):
                    if z - a < falls[leg, 0] or z - a > falls[leg, 1]:
                        continue
                    held = True
                    for k in range(rows[own[leg]], rows[own[leg] + 1]):
                        held = held and ((1.0 - row_t[k]) * z + row_t[k] * a <= row_h[k] + 1e-9)
                    if held:
                        cost = tables[begin + z - low[u]] + rates[leg, drive, 0] * (ground[u] - z)
                        least = min(least, cost)
                cost = least + price[leg, drive] + rates[leg, drive, 1] * (ground[v] - a)
                into[a - low[v]] = min(into[a - low[v]], cost)


def dense_arrivals(arrays: Arrays, instance: Instance, filled: Any, v: int) -> Floats:
    first, last = arrays["groups_in_start"][v : v + 2]
    levels = max(0, int(arrays["pits_arrive_high"][v] - arrays["pits_low"][v]) + 1)
    best = np.full((int(last - first), 2, levels), np.inf)
    legs = instance.legs
    _dense_arrivals(
        v, arrays["pits_low"], arrays["pits_high"], arrays["pits_arrive_high"],
        arrays["pits_ground"], legs.start, legs.up, legs.out_group, legs.in_group, int(first),
        np.column_stack([legs.least_fall, legs.most_fall]), legs.price, legs.price_depth,
        legs.rows, legs.row_start, legs.row_t, legs.row_h, np.array(ROLES), filled.offset,
        filled.tables, best,
    )  # fmt: skip
    return best


@pytest.mark.benchmark(group="programme")
def test_the_programme_is_faster_than_a_dense_product(
    tmp_path: Path, benchmark: Callable[[Callable[[], object]], Any]
) -> None:
    """1 km of street, stations every 2 m, three lanes, levels of 1 cm, all drives and roles.

    The product is taken at every 80th pit, with the tables above it filled, and extrapolated by
    the number of legs; its results are the programme's. Every pit keeps its manhole.
    """
    every_manhole = {"tables": {"rules": {"max_manhole_spacing_m": 90.0}}}  # so no leg has bands
    arrays = instance_of_site(given_of_site(tmp_path, **long_street(1000.0), **every_manhole))
    assert arrays["legs_band_start"][-1] == 0
    tell_size(1000.0, arrays)
    instance = as_instance(arrays)
    filled = fill(instance)
    benchmark(lambda: fill(instance))
    ours = quickest(lambda: fill(instance))
    pits = np.flatnonzero(np.diff(arrays["legs_start"]) > 0)
    some = pits[::80]
    dense_arrivals(arrays, instance, filled, int(some[0]))
    begin = time.perf_counter()
    theirs = [dense_arrivals(arrays, instance, filled, int(v)) for v in some]
    took = time.perf_counter() - begin
    share = np.diff(arrays["legs_start"])[some].sum() / len(arrays["legs_up"])
    for v, dense in zip(some.tolist(), theirs, strict=True):
        mine = arrivals(v, instance.pits, instance.groups, instance.legs, filled)
        assert np.allclose(mine, dense, rtol=1e-12, atol=1e-9)
    bounded = quickest(lambda: find_optimum(instance))
    print(f"    ours {ours:.3f} s, dense {took / share:.1f} s by {share:.1%} of its legs, "
          f"{took / share / ours:,.0f} times; {took / share / bounded:,.0f} times where bounds "
          f"leave out what cannot be best ({bounded * 1e3:.0f} ms)")  # fmt: skip
    assert took / share >= LEAST_OVER_DENSE * ours


@pytest.mark.benchmark(group="programme")
def test_the_programme_takes_few_times_the_bare_sampling_of_its_legs(
    tmp_path: Path, benchmark: Callable[[Callable[[], object]], Any]
) -> None:
    """The ground under every chord every half metre, places made beforehand, against all of it.

    All of it is: which chords there are, what binds them, the plan's tables. The programme's own
    arrays are made twice, once for the bound.
    """
    given = given_of_site(tmp_path, **long_street(1000.0))
    served = np.zeros(len(given.site.properties), bool)
    served[np.concatenate([chain.properties for chain in given.layout.chains])] = True
    bound = build_problem(given, served).bound
    single = slice(bound.singles)
    chords = np.unique(np.stack([bound.up[single], bound.down[single]], 1), axis=0)
    x, y = places_along(given.candidates.xy, chords)
    ground = given.site.ground
    mesh = (ground.mesh_x0, ground.mesh_y0, ground.mesh_step, ground.mesh_col, ground.mesh_row)
    bare = benchmark(lambda: sample_ground(ground.values, *mesh, x, y))
    assert np.isfinite(bare).all()
    theirs = quickest(lambda: sample_ground(ground.values, *mesh, x, y))
    ours = quickest(lambda: fill(build_problem(anew(given), served).strict), 3)
    print(f"\n    {len(chords)} legs, {len(x) / 1e6:.1f} million places: bare {theirs:.3f} s, "
          f"ours {ours:.2f} s, {ours / theirs:.1f} times")  # fmt: skip
    assert ours <= MOST_OVER_SAMPLING * theirs


def places_along(xy: Floats, chords: Ints) -> tuple[Floats, Floats]:
    """Places at most half a metre apart along chords, both ends among them."""
    ends, begins = xy[chords[:, 1]], xy[chords[:, 0]]
    count = np.ceil(np.hypot(*(ends - begins).T) / 0.5).astype(int)
    which = np.repeat(np.arange(len(chords)), count + 1)
    first = np.cumsum(count + 1) - (count + 1)
    at = (np.arange(len(which)) - first[which]) / count[which]
    x, y = (begins[which] + at[:, None] * (ends - begins)[which]).T
    return np.ascontiguousarray(x), np.ascontiguousarray(y)


def tell_growth(name: str, instance: Instance, table: int) -> float:
    """Time of an optimum, and the memory it takes in tables of a street. [s]"""
    took = quickest(lambda: find_optimum(instance), 1)
    tracemalloc.start()
    find_optimum(instance)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    size = sum(a.nbytes for part in instance[:3] for a in part)
    print(f"    {name}: {took:.3f} s, at most {peak / 1e6:.1f} MB at once, {peak / table:.2f} "
          f"times a street's tables; legs and pits {size / 1e6:.0f} MB")  # fmt: skip
    assert peak <= MOST_TABLES * table
    return took


@pytest.mark.benchmark(group="programme")
def test_time_grows_with_length_and_no_faster(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    benchmark: Callable[[Callable[[], object]], Any],
) -> None:
    """1 to 100 km: streets of 1 km, stations every 4 m, three lanes, levels of 1 cm."""
    monkeypatch.setattr(place, "station_step", lambda _: STATIONS)
    arrays = instance_of_site(given_of_site(tmp_path, **long_street(1000.0)))
    one = as_instance(arrays)
    table = fill(one).tables.nbytes
    benchmark(lambda: find_optimum(one))
    lengths = (1, 3, 10, 30, 100)
    times = [tell_growth(f"{km} km", as_instance(repeated(arrays, km)), table) for km in lengths]
    exponent = float(np.polyfit(np.log(lengths), np.log(times), 1)[0])
    print(f"    exponent {exponent:.3f}")
    assert exponent <= MOST_EXPONENT


def comb(streets: int, length: float = 1000.0) -> dict[str, Any]:
    """A street with so many others that drain into it from both sides, and one tie-in."""
    main = line((0, 0), (length, 0), street="M", lanes=3, row_width_m=14.0)
    rows = [point(x, 12, property_id=f"M{x:g}") for x in np.arange(10.0, length, 20.0)]
    teeth = []
    for i in range(streets):
        x, side = (i + 1) * length / (streets + 1), 1 if i % 2 else -1
        teeth.append(line((x, 0), (x + 30, side * length), street=f"S{i}", lanes=3,
                          row_width_m=14.0))  # fmt: skip
        rows += [point(x + 30 * y / length + 11, side * y, property_id=f"S{i}-{y:g}")
                 for y in np.arange(30.0, length, 20.0)]  # fmt: skip
    made = site(hilly, main, rows, None)
    made["streets"] = [main, *teeth]
    return made


def hilly(x: NDArray[Any], y: NDArray[Any]) -> NDArray[Any]:
    """Ground that rises away from the main street and along it, over waves."""
    rise = 100.0 + 0.01 * x + 0.006 * np.abs(y)
    return np.asarray(rise + 0.35 * np.sin(x / 17.0) + 0.3 * np.sin(y / 13.0))


@pytest.mark.benchmark(group="programme")
def test_the_tables_of_a_town_with_one_tie_in_are_not_all_kept(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    benchmark: Callable[[Callable[[], object]], Any],
) -> None:
    """5 and 21 km of streets, in which bounds leave little out."""
    monkeypatch.setattr(place, "station_step", lambda _: STATIONS)
    one = as_instance(instance_of_site(given_of_site(tmp_path / "one", **comb(0))))
    table = fill(one).tables.nbytes
    benchmark(lambda: find_optimum(one))
    for count in (4, 20):
        folder = tmp_path / str(count)
        town = as_instance(instance_of_site(given_of_site(folder, **comb(count))))
        tell_growth(f"{count + 1} km, one tie-in", town, table)
        with monkeypatch.context() as patch:
            patch.setattr(stretches, "MOST_ENTRIES", 1 << 60)
            begin = time.perf_counter()
            whole = find_optimum(town)
            took = time.perf_counter() - begin
        cut = find_optimum(town)
        assert whole is not None
        assert cut is not None
        assert cut.cost == whole.cost
        print(f"    all tables kept: {took:.3f} s")
