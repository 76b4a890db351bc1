"""What openings do to the smoke in each roof section, in feet; what the code would prescribe.

In: height, area, occupancy and openings of sections; the rules.
Out: `flow_rows`, one row a section; `prescribed_ft2`, the vent area by the building code.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.inventory import occupancy_parts
from roofplat.rules import Rulebook
from roofplat.venting import smoke
from roofplat.venting.words import OUTSIDE

__all__ = ["FLOW_COLUMNS", "flow_rows", "prescribed_ft2"]

FloatArray = npt.NDArray[np.float64]

FLOW_COLUMNS: Final = (
    "fire_kw",
    "fire_area_ft2",
    "clear_ft",
    "inlet_ft2",
    "inlet_least_ft2",
    "flow_ft2",
    "flow_outside",
    "clear_planned_ft",
    "clear_outside",
    "largest_single_ft2",
    "least_openings",
)


def flow_rows(sections: pd.DataFrame, rules: Rulebook) -> pd.DataFrame:
    """Work out what openings do to the smoke in each section, for the stated design fire.

    Parameters
    ----------
    sections
        One row a section, with `height_ft`, floor to roof of the storey below the roof (of the compartment,
        not of the building); `area_ft2`, its floor area; `occupancy`, in any words; `opening_ft2`, all
        openings together, planned and existing; and `openings`, how many these are. Any may be missing.
    rules
        Design fire, clear height, doors, coefficients: `venting.*`.

    Returns
    -------
    DataFrame
        With the index of `sections` and `FLOW_COLUMNS`:

        - fire_kw, fire_area_ft2: the design fire.
        - clear_ft: the clear height wanted; under a low ceiling, a share of the height.
        - inlet_ft2: doors that let air in.
        - inlet_least_ft2: the smallest doors with which an opening can hold the clear height; nan where
          another range is left.
        - flow_ft2: openings that hold the wanted clear height; nan where a range was left.
        - flow_outside: which range, as a sentence; empty where there is a number.
        - clear_planned_ft: clear height that the openings give; nan where a range was left.
        - clear_outside: which range, as a sentence; empty where there is a number.
        - largest_single_ft2: how large one opening may be, at the wanted clear height, before it pulls air
          from below the smoke; nan where `flow_ft2` is.
        - least_openings: into how many `flow_ft2` is to be divided at least; missing where `flow_ft2` is.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> shed = pd.DataFrame({"height_ft": [30.0], "area_ft2": [40_000.0], "occupancy": ["S-1"],
    ...                      "opening_ft2": [96.0], "openings": [3]})
    >>> row = flow_rows(shed, load_rulebook()).iloc[0]
    >>> int(row["fire_kw"]), float(row["clear_ft"]), float(row["inlet_ft2"])
    (18580, 8.2, 183.0)
    """
    foot_m = rules.positive("ground.foot_m")
    method = smoke.method_of(rules)
    height_ft = _numbers(sections["height_ft"])
    letter = occupancy_parts(sections["occupancy"])["letter"]
    burning_ft2 = rules.share("venting.fire_share") * _numbers(sections["area_ft2"])
    fire_area_ft2 = np.minimum(rules.positive("venting.fire_area_ft2"), burning_ft2)
    fire_area_m2 = fire_area_ft2 * foot_m**2
    fires = smoke.Fires(rules.positive("venting.fire_kw_per_m2") * fire_area_m2, fire_area_m2)
    clear_ft = np.minimum(rules.positive("venting.clear_ft"), rules.share("venting.clear_share") * height_ft)
    inlet_ft2 = _inlet_ft2(letter, rules)
    ceiling_m, inlet_m2 = height_ft * foot_m, inlet_ft2 * foot_m**2

    wanted = smoke.area_for_clear_height(fires, ceiling_m, clear_ft * foot_m, inlet_m2, method)
    single_m2 = smoke.largest_single_m2(
        wanted.value,
        wanted.flow_kg_s,
        ceiling_m - clear_ft * foot_m,
        wanted.layer_k - method.ambient_k,
        method,
    )
    inlet_least_m2 = smoke.least_inlet_m2(
        ceiling_m - clear_ft * foot_m, wanted.flow_kg_s, wanted.layer_k - method.ambient_k, method
    )
    by_doors = (wanted.outside == smoke.WITHIN) | (wanted.outside == smoke.INLET)
    given = smoke.clear_height_for_area(
        fires,
        ceiling_m,
        _numbers(sections["opening_ft2"]) * foot_m**2,
        inlet_m2,
        method,
        openings=_numbers(sections["openings"]),
    )
    words = np.array(OUTSIDE, dtype=object)
    return pd.DataFrame(
        {
            "fire_kw": fires.heat_kw,
            "fire_area_ft2": fire_area_ft2,
            "clear_ft": clear_ft,
            "inlet_ft2": inlet_ft2,
            "inlet_least_ft2": np.where(by_doors, inlet_least_m2 / foot_m**2, np.nan),
            "flow_ft2": wanted.value / foot_m**2,
            "flow_outside": pd.array(words[wanted.outside], dtype="str"),
            "clear_planned_ft": given.value / foot_m,
            "clear_outside": pd.array(words[given.outside], dtype="str"),
            "largest_single_ft2": single_m2 / foot_m**2,
            "least_openings": pd.array(np.ceil(wanted.value / single_m2), dtype="Int64"),
        },
        index=sections.index,
    )


def prescribed_ft2(
    volume_ft3: FloatArray, area_ft2: FloatArray, sprinklered: npt.NDArray[np.bool_], rules: Rulebook
) -> FloatArray:
    """Return the vent area that the building code prescribes where it asks for vents.

    IBC 910.3.3: a sprinklered space has its volume over 9,000, any other its floor area over 50.

    Parameters
    ----------
    volume_ft3, area_ft2
        Of the space, (n,).
    sprinklered
        Whether sprinklers are known to be there, (n,).
    rules
        `venting.prescribed_sprinklered_ft`, `venting.prescribed_unsprinklered_share`.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> area_ft2 = np.array([60_000.0, 60_000.0])
    >>> prescribed_ft2(30 * area_ft2, area_ft2, np.array([True, False]), load_rulebook()).tolist()
    [200.0, 1200.0]
    """
    prescribed: FloatArray = np.where(
        sprinklered,
        volume_ft3 / rules.positive("venting.prescribed_sprinklered_ft"),
        area_ft2 * rules.share("venting.prescribed_unsprinklered_share"),
    )
    return prescribed


def _inlet_ft2(letter: pd.Series, rules: Rulebook) -> FloatArray:
    """The doors that let air in."""
    freight = letter.isin(rules["venting.freight_groups"].value).to_numpy(dtype=bool)
    doors = rules.count("venting.doors", least=1) * rules.positive("venting.door_ft2")
    more = rules.count("venting.freight_doors") * rules.positive("venting.freight_door_ft2")
    inlet_ft2: FloatArray = np.where(freight, doors + more, doors)
    return inlet_ft2


def _numbers(column: pd.Series) -> FloatArray:
    return column.to_numpy(dtype=np.float64, na_value=np.nan)
