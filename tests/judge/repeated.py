"""One instance several times beside itself: as many roots, and nothing between them."""

from __future__ import annotations

import numpy as np

from tests.judge.instance_file import Arrays


def repeated(arrays: Arrays, times: int) -> Arrays:
    """So many streets beside each other, each with its own tie-in."""
    pits, legs = len(arrays["pits_low"]), len(arrays["legs_up"])
    shift = {
        "roots": pits, "legs_up": pits, "legs_start": legs,
        "legs_out_group": int(arrays["groups_out_start"][-1]),
        "legs_in_group": len(arrays["groups_in_branch"]),
        "groups_out_start": int(arrays["groups_out_start"][-1]),
        "groups_in_start": len(arrays["groups_in_branch"]),
        "groups_turn_in": len(arrays["groups_in_branch"]),
        "groups_turn_start": len(arrays["groups_turn_in"]),
        "legs_rows": len(arrays["legs_row_start"]) - 1, "legs_row_start": len(arrays["legs_row_t"]),
        "legs_band_start": int(arrays["legs_band_start"][-1]),
        "legs_band_low": len(arrays["legs_band_t"]), "legs_band_high": len(arrays["legs_band_t"]),
    }  # fmt: skip
    found = dict(arrays)
    for name, values in arrays.items():
        if name.startswith("drops") or name in {"pits_step_depth", "pits_step_price", "pits_under"}:
            continue
        ends = name.endswith("start") or name in {"legs_band_low", "legs_band_high"}
        more = np.tile(values[:-1] if ends else values, (times,) + (1,) * (values.ndim - 1))
        if name in shift:
            each = len(values) - ends
            more = more + np.repeat(np.arange(times), each) * shift[name]
        found[name] = np.append(more, values[-1] + (times - 1) * shift[name]) if ends else more
    return found
