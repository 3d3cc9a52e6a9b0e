"""Judges clearances in 3D: below what is required, or not proven to be above it."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pandas as pd

from planner.kernels.strike import AT_PIT, CROSSING, near_probabilities
from planner.model import Figures, Floats
from planner.steps.clearances.services import Services
from planner.steps.clearances.subjects import SAME


def unproven_reach(services: Services, rules: Figures) -> Floats:
    """How much above the required clearance a pair can still be unproven. [m]"""
    accepted = min(max(rules.number("max_unproven_probability"), SAME), 0.5)
    sigma = np.maximum(services.sigma_plan, services.sigma_level)
    return sigma * NormalDist().inv_cdf(1 - accepted)


def probabilities(rows: pd.DataFrame, allowed: Floats) -> Floats:
    """Probability that each row's clearance is below what is allowed."""
    lie = rows["lie"].to_numpy(np.int64, copy=True)
    figures = rows[
        ["gap", "both", "beside", "above", "half_width", "half_height", "round", "sigma_plan",
         "sigma_level"]
    ].to_numpy(float)  # fmt: skip
    along_normal = np.isin(lie, (CROSSING, AT_PIT))
    figures[along_normal, 7] = rows["sigma_normal"].to_numpy(float)[along_normal]
    return near_probabilities(lie, figures, np.array(allowed, float))


def judge(rows: pd.DataFrame, rules: Figures) -> pd.DataFrame:
    """Rows that are below what is required or unproven, with severity and probabilities."""
    clearance, required = rows["clearance_m"].to_numpy(), rows["required_m"].to_numpy(float)
    below = probabilities(rows, required)
    unproven = below > rules.number("max_unproven_probability")
    choices = [clearance < 0, clearance < required - SAME, unproven]
    rows = rows.assign(
        severity=np.select(choices, ["clash", "tight", "unproven"], ""),
        strike_probability=probabilities(rows, np.zeros(len(rows))),
        below_probability=below,
    )
    return rows[rows["severity"] != ""]
