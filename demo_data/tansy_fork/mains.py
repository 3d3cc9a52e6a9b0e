"""Where each service lies in each street's cross-section: the register of mains."""

from __future__ import annotations

from typing import NamedTuple


class Main(NamedTuple):
    """One main along a street; offsets are positive to the left of its direction."""

    street: str
    kind: str
    offset: float  # [m]
    start: float  # [m] station; below 0: joined to the main of the same kind in the street there
    end: float  # [m] station; `END`: to the street's end; `JOIN`: joined to the street there
    diameter: float = 0.0  # [m] outside; of storm and sewer inside
    depth: float | None = None  # [m] ground to top; None: not known
    quality: str = "C"
    material: str = ""


JOIN, END, FROM_STREET = 1e6, 1e5, -1.0
SIX, EIGHT, TWELVE = 0.17526, 0.22987, 0.33528  # [m] outside diameters of 6, 8 and 12 in iron pipe

WATER = [
    Main("Halloway Avenue", "water", -4.6, 0.0, END, TWELVE, 1.4, "B", "ductile iron"),
    Main("Orchard Rise", "water", -3.4, FROM_STREET, END, EIGHT, 1.3, "B", "ductile iron"),
    Main("Ferrier Lane", "water", 2.4, FROM_STREET, END, SIX, 1.3, "C", "cast iron"),
    Main("Lantern Loop", "water", -3.3, FROM_STREET, JOIN, SIX, 1.25, "B", "PVC"),
    Main("Sexton Street", "water", -1.2, FROM_STREET, JOIN, EIGHT, 1.2, "C", "cast iron"),
    Main("Wren Court", "water", -3.3, FROM_STREET, END, SIX, None, "D", "PVC"),
    Main("Mill Street", "water", -3.4, 0.0, END, EIGHT, 1.3, "C", "cast iron"),
]
GAS = [
    Main("Halloway Avenue", "gas", 8.2, 0.0, END, 0.219, 0.9, "B", "steel"),
    Main("Orchard Rise", "gas", 7.1, FROM_STREET, END, 0.114, 0.85, "B", "polyethylene"),
    Main("Ferrier Lane", "gas", -4.6, FROM_STREET, END, 0.089, 0.8, "C", "polyethylene"),
    Main("Lantern Loop", "gas", 4.6, FROM_STREET, JOIN, 0.089, 0.75, "B", "polyethylene"),
    Main("Sexton Street", "gas", 4.7, FROM_STREET, JOIN, 0.114, None, "D", "steel"),
    Main("Wren Court", "gas", 4.6, FROM_STREET, END, 0.060, 0.6, "C", "polyethylene"),
]
TELECOM = [
    Main("Halloway Avenue", "telecom", 10.6, 0.0, END, 0.20, 0.5, "B"),
    Main("Orchard Rise", "telecom", -7.4, FROM_STREET, END, 0.15, None, "C"),
    Main("Lantern Loop", "telecom", 6.3, FROM_STREET, JOIN, 0.10, 0.45, "C"),
    Main("Sexton Street", "telecom", 6.3, FROM_STREET, JOIN, 0.10, None, "D"),
    Main("Wren Court", "telecom", 6.0, FROM_STREET, END, 0.10, 0.45, "C"),
    Main("Ferrier Lane", "telecom", -6.3, FROM_STREET, END, 0.0, None, "D"),
]
ELECTRIC = [
    Main("Halloway Avenue", "electric", -9.2, 0.0, 470.0, 0.0, 0.76, "B"),
    Main("Lantern Loop", "electric", -6.6, FROM_STREET, JOIN, 0.12, 1.0, "C"),
    Main("Ferrier Lane", "electric", 6.2, FROM_STREET, END, 0.12, 0.75, "C"),
    Main("Wren Court", "electric", -5.4, FROM_STREET, END, 0.09, None, "D"),
]
DUCT_BANK = (0.60, 0.42)  # [m] width, height of the arterial's electric duct bank

STORM = [
    # Drawn downstream first: from the outfall or the receiving drain up.
    Main("Halloway Avenue", "storm", -1.5, 0.0, 560.0, 0.61, 1.75, "B", "concrete"),
    Main("Orchard Rise", "storm", -1.6, FROM_STREET, 330.0, 0.457, 1.7, "B", "concrete"),
    Main("Ferrier Lane", "storm", 0.9, FROM_STREET, 75.0, 0.305, 1.65, "B", "concrete"),
    Main("Lantern Loop", "storm", -1.4, 150.0, 12.0, 0.381, 1.65, "B", "concrete"),
    Main("Lantern Loop", "storm", -1.4, 150.0, 330.0, 0.457, 1.65, "B", "concrete"),
    Main("Sexton Street", "storm", -3.6, 232.0, 20.0, 0.305, 1.6, "C", "concrete"),
]
SEWER = [
    Main("Mill Street", "sewer", 1.5, 0.0, END, 0.203, 2.75, "B", "clay"),
]
ABANDONED = Main("Halloway Avenue", "water", 3.3, 150.0, 372.0, 0.1219, 1.3, "D", "cast iron")
OLD_DRAIN = Main("Ferrier Lane", "storm", 0.9, 198.0, END, 0.305, None, "D", "clay")
STRAY = Main("Lantern Loop", "unknown", 0.0, 226.0, 236.0, 0.0, None, "D")
VAULTS = (("Halloway Avenue", 205.0, 10.6), ("Halloway Avenue", 425.0, 10.6),
          ("Lantern Loop", 260.0, 6.3))  # fmt: skip
"""Street, station and offset of each telecom vault. [m]"""
VAULT = (1.2, 1.5, 0.3)  # [m] width, height, ground to top
PROVED = (
    # file's utility, from and to along it [m], the column that holds its surveyed level
    ("G-HA-2", 62.0, 76.0, "top_elev_m"),
    ("W-OR-1", 0.0, 11.0, "centre_elev_m"),
)
"""Stretches that test holes have laid open and a survey has levelled: quality A."""
