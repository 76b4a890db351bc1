"""Pitched roofs against published figures and another program.

In: slopes as carpenters and the safety rules state them; plans in feet.
Out: degrees, rafter lengths, and planes that GEOS's areas and its own buffers agree with.
"""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
import shapely
from numpy.testing import assert_allclose

from roofplat.framing.outline import polygons_of
from roofplat.framing.rafters import outlines_of_planes

# Rise in twelve of run, and the slope in degrees that tables of roof pitches print for it.
PITCHES = [(4, 18.43), (5, 22.62), (6, 26.57), (8, 33.69), (9, 36.87), (12, 45.00)]


@pytest.mark.parametrize(("rise", "degrees"), PITCHES)
def test_rise_over_run(shapes: ModuleType, rise: float, degrees: float) -> None:
    """A house 24 ft deep has 12 ft of run: its ridge is as many feet up as the pitch has inches."""
    house = shapes.rectangle(24, 30)
    framing = shapes.framed(
        house, roof_family=["sawn_rafter_pitched"], roof_shape=["gabled"], slope_deg=[degrees]
    )
    assert framing.sections["rise_ft"][0] == pytest.approx(rise, abs=0.01)
    # The rafter is the hypotenuse: 9 in 12 is the triangle of 3, 4 and 5.
    assert framing.planes["true_area_ft2"][0] == pytest.approx(30 * np.hypot(12, rise), abs=0.2)
    by_height = shapes.framed(house, roof_family=["sawn_rafter_pitched"], roof_height_ft=[float(rise)])
    assert by_height.sections["slope_deg"][0] == pytest.approx(degrees, abs=0.006)


def test_the_low_slope_limit_is_four_in_twelve(shapes: ModuleType) -> None:
    """OSHA 29 CFR 1926.500(b): a low-slope roof is one of 4 in 12 or less, 18.43 degrees.

    Families of flat roofs end there: `family.sawn_joist_flat.slope_deg`.
    """
    limit = np.degrees(np.arctan(4 / 12))
    assert limit == pytest.approx(18.43, abs=0.005)
    for name, family in shapes.RULES.families.items():
        if family.framing == "joists":
            assert family.figures["slope_deg"].range[1] == pytest.approx(limit, abs=0.005), name


@pytest.mark.parametrize("plan", ["rectangle", "letter_l", "letter_u", "courtyard"])
@pytest.mark.parametrize("depth_ft", [2.0, 7.0, 12.0])
def test_contours_of_a_hip_are_the_outline_moved_inwards(
    shapes: ModuleType, plan: str, depth_ft: float
) -> None:
    """At 45 degrees the roof is higher than d where GEOS's mitred buffer by -d still covers it."""
    made = shapes.rectangle(50, 34) if plan == "rectangle" else getattr(shapes, plan)()
    framing = shapes.framed(
        shapes.turned(made, 25.0),
        roof_family=["sawn_rafter_pitched"],
        roof_shape=["hipped"],
        slope_deg=[45.0],
    )
    planes, outlines = framing.pitched.planes, framing.frames.outlines
    faces = polygons_of(
        outlines_of_planes(planes, outlines), np.arange(planes.count), planes.east, planes.north
    )
    walls = framing.wall_runs
    eave = shapely.linestrings(
        np.stack([walls.east0, walls.north0, walls.east1, walls.north1], axis=1).reshape(-1, 2, 2)
    )[planes.wall]
    # What of each plane lies farther than d from the line of its eave.
    run = np.diff(shapely.get_coordinates(eave).reshape(-1, 2, 2), axis=1)[:, 0]
    long = run / np.hypot(*run.T)[:, None] * 1000
    start = shapely.get_coordinates(eave)[::2]
    far = shapely.buffer(
        shapely.linestrings(np.stack([start - long, start + long], axis=1)), depth_ft, cap_style="flat"
    )
    higher = shapely.difference(faces, far)
    inner = shapely.buffer(
        polygons_of(outlines, np.array([0]), outlines.east0, outlines.north0)[0],
        -depth_ft,
        join_style="mitre",
    )
    assert shapely.area(higher).sum() == pytest.approx(inner.area, rel=1e-5, abs=0.01)
    assert_allclose(framing.planes["area_ft2"].sum(), made.area, atol=0.01)


def test_rafter_and_truss_spacings_are_those_of_the_trade(shapes: ModuleType) -> None:
    """Study cards: plate trusses 24 in apart; conventional gables 16 to 24 in, steep ones up to 36 in."""
    rules = shapes.RULES
    assert rules.number("family.plate_truss_pitched.rafter_spacing_ft") * 12 == pytest.approx(24, abs=0.05)
    assert rules.number("family.sawn_rafter_pitched.rafter_spacing_ft") * 12 == pytest.approx(16, abs=0.05)
    assert rules["family.sawn_rafter_pitched.rafter_spacing_ft"].range[1] * 12 == pytest.approx(36, abs=0.05)
    # A house 40 ft long shows it: 19 trusses stand between its gable walls.
    framing = shapes.framed(shapes.rectangle(30, 40), roof_family=["plate_truss_pitched"])
    assert framing.members.set_index("kind")["count"].to_dict() == {"ridge": 1, "truss": 19}
