"""A corridor against a raster of the same road, drawn by a script that knows nothing of gradecheck.

The script below takes each cell centre to station and offset by plain trigonometry (a line, an arc of 120 m to the
right, a line), to height by the textbook parabola, and across by linear interpolation between the section's corners.
SciPy interpolates the raster at 10,000 points. What may differ is the raster's own interpolation: over a cell of side h
a bilinear surface is off by at most h²/8 times the second derivatives and h times the change of slope at a break.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from gradecheck.roads.alignment import Alignment
from gradecheck.roads.locate import Locator
from gradecheck.roads.pieces import arc, line
from gradecheck.roads.profile import Bend, Profile
from gradecheck.roads.section import Section, Strip
from gradecheck.surfaces import OUTSIDE, Heights
from gradecheck.surfaces.corridor import Corridor, Road
from tests.corridors import EAST, HERE, NORTH, carrying

CELL = 0.25
RADIUS, TURN, FIRST, LAST = 120.0, np.radians(70.0), 80.0, 60.0
ARC = RADIUS * TURN
TOTAL = FIRST + ARC + LAST
BREAKS = [0.0, 3.6, 4.05, 4.05, 6.5]
RISES = [0.0, -0.072, -0.099, 0.051, 0.1]
FACE = 4.05


def drawn(x, y):
    """(station, offset) of the road drawn by hand: east for 80 m, right on 120 m for 70 degrees, straight on."""
    cx, cy = FIRST, -RADIUS
    theta = np.arctan2(x - cx, y - cy)  # turned since the start of the arc
    on_arc = (theta >= 0) & (theta <= TURN) & (x >= FIRST)
    ex, ey = cx + RADIUS * np.sin(TURN), cy + RADIUS * np.cos(TURN)
    tx, ty = np.cos(TURN), -np.sin(TURN)
    along = (x - ex) * tx + (y - ey) * ty
    candidates = [
        (x, -y, (x >= 0) & (x <= FIRST)),
        (FIRST + RADIUS * theta, RADIUS - np.hypot(x - cx, y - cy), on_arc),
        (FIRST + ARC + along, (x - ex) * ty - (y - ey) * tx, (along >= 0) & (along <= LAST)),
    ]
    station, offset = np.full(np.shape(x), np.nan), np.full(np.shape(x), np.inf)
    for s, o, there in candidates:
        nearer = there & (np.abs(o) < np.abs(offset))
        station, offset = np.where(nearer, s, station), np.where(nearer, o, offset)
    return station, offset


def parabola(s):
    """PVI at 110 m, 52.2 m; +3 % and -2.5 %; 120 m long: the textbook's z = zPVC + g1 x + (g2 - g1) / (2 L) x²."""
    g1, g2, length, pvi, top = 0.03, -0.025, 120.0, 110.0, 52.2
    x = s - (pvi - length / 2)
    on = top - g1 * length / 2 + g1 * x + (g2 - g1) / (2 * length) * x**2
    return np.where(x < 0, top + g1 * (s - pvi), np.where(x > length, top + g2 * (s - pvi), on))


def height(x, y):
    s, o = drawn(x, y)
    across = np.where(
        np.abs(o) < FACE,
        np.interp(np.abs(o), BREAKS[:3], RISES[:3]),
        np.interp(np.abs(o), BREAKS[3:], RISES[3:], right=np.nan),
    )
    return parabola(s) + across


@pytest.fixture(scope="module")
def corridor() -> Corridor:
    end = FIRST + RADIUS * np.sin(TURN), -RADIUS + RADIUS * np.cos(TURN)
    last = end[0] + LAST * np.cos(TURN), end[1] - LAST * np.sin(TURN)
    shift = lambda p: (EAST + p[0], NORTH + p[1])  # noqa: E731
    pieces = [
        line(shift((0, 0)), shift((FIRST, 0))),
        arc(shift((FIRST, 0)), shift((FIRST, -RADIUS)), shift(end), clockwise=True),
        line(shift(end), shift(last)),
    ]
    alignment = Alignment.joined("Quill Rd", pieces)
    profile = Profile.of(
        "q", [Bend(0, 52.2 - 0.03 * 110), Bend(110, 52.2, 120), Bend(TOTAL, 52.2 - 0.025 * (TOTAL - 110))]
    )
    side = (
        Strip.plain("lane", 3.6, slope=-0.02),
        Strip.plain("gutter", 0.45, slope=-0.06),
        Strip.plain("curb", 0.0, rise=0.15),
        Strip.plain("verge", 2.45, slope=0.02),
    )
    return Corridor((Road(alignment, profile, Section(side, side)),), Locator((alignment,)), HERE, "m", 1.0, carrying())


def asked(corridor: Corridor, x, y) -> Heights:
    return corridor.heights(EAST + x, NORTH + y)


def test_the_raster_and_the_corridor_agree_at_ten_thousand_points(corridor: Corridor) -> None:
    left, top = -10.0, 10.0
    rows, columns = round(150 / CELL), round(250 / CELL)
    cx, cy = np.meshgrid(left + (np.arange(columns) + 0.5) * CELL, top - (np.arange(rows) + 0.5) * CELL)
    raster = height(cx, cy)
    random = np.random.default_rng(5)
    s, o = random.uniform(1, TOTAL - 1, 10_000), random.uniform(-6.1, 6.1, 10_000)
    x, y = corridor.roads[0].alignment.points(s, o)
    x, y = x - EAST, y - NORTH
    at = [(top - y) / CELL - 0.5, (x - left) / CELL - 0.5]
    interpolated = ndimage.map_coordinates(raster, at, order=1, mode="constant", cval=np.nan)
    found = asked(corridor, x, y).z
    away = np.abs(np.abs(drawn(x, y)[1]) - FACE)
    clear = away > CELL * np.sqrt(2)  # a cell across the curb's face is neither its top nor its foot
    assert clear.sum() > 8500
    assert np.isfinite(found).all()
    off = np.abs(found - interpolated)
    assert off[clear].max() <= 0.04 * CELL * np.sqrt(2)  # the crown turns by 4 %, lane to gutter by 4 %
    s, o = drawn(x, y)
    # Where line and arc meet, stations off the line begin to run faster or slower: a small break too.
    breaks = [*(np.abs(o) - b for b in (0.0, 3.6)), *(s - b for b in (FIRST, FIRST + ARC))]
    smooth = clear & (np.abs(breaks).min(axis=0) > CELL * np.sqrt(2))
    assert smooth.sum() > 7000
    # 0.055 / 120 along the curve, slope over radius across it, each twice over: below 1.2e-3.
    assert off[smooth].max() <= 2 * CELL**2 / 8 * 1.2e-3 + 1e-9


def test_the_corridor_is_the_drawn_road_itself(corridor: Corridor) -> None:
    random = np.random.default_rng(6)
    x, y = random.uniform(-20, 230, 20_000), random.uniform(-140, 20, 20_000)
    expected = height(x, y)
    found = asked(corridor, x, y)
    assert (np.isfinite(found.z) == np.isfinite(expected)).all()
    assert np.isfinite(expected).sum() > 1000
    there = np.isfinite(expected)
    assert np.abs(found.z - expected)[there].max() < 1e-8
    far = np.abs(drawn(x, y)[1]) > 31
    assert (found.source[far & np.isnan(found.z)] <= OUTSIDE).all()
