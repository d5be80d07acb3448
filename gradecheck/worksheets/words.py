"""What stands on a sheet, in words: heights for a rule, stages, tools, cautions, questions to an engineer. Pure."""

from __future__ import annotations

import math
import re

from gradecheck.decision import Action

DRESS = "dress"
"""The kind of sheet of a hydrant that is kept while the ground about it is dressed."""

TITLES: dict[str, str] = {
    Action.extend.name: "EXTEND",
    Action.shorten.name: "SHORTEN",
    Action.measure.name: "MEASURE",
    Action.on_site.name: "SET ON SITE",
    DRESS: "DRESS GROUND",
}

QUARTER = 0.0254 / 4
FIVE = 0.005
"""Metres that flange heights are rounded to: a quarter of an inch, or five millimetres."""


def height(metres: float, imperial: bool) -> str:
    """A flange height as a rule shows it: to the nearest quarter of an inch, or five millimetres.

    >>> height(0.1, True), height(-0.0254, True), height(0.7366, True), height(0.1026, False)
    ('4 in', '-1 in', '2 ft 5 in', '105 mm')
    >>> height(0.1206, True), height(-0.001, True)
    ('4¾ in', '0 in')
    """
    steps = math.floor(abs(metres) / (QUARTER if imperial else FIVE) + 0.5 + 1e-9)
    sign = "-" if metres < 0 and steps else ""
    if not imperial:
        return f"{sign}{5 * steps} mm"
    feet, rest = divmod(steps, 48) if steps >= 96 else (0, steps)
    inches, quarters = divmod(rest, 4)
    part = ("", "¼", "½", "¾")[quarters]
    text = f"{inches or '' if part else inches}{part} in"
    return f"{sign}{feet} ft {text}" if feet else f"{sign}{text}"


def above(metres: float, imperial: bool, ground: str = "ground") -> str:
    """ "4 in above ground", "1 in below ground", "level with the ground"."""
    text = height(abs(metres), imperial)
    if text.startswith("0 "):
        return f"level with the {ground}"
    return f"{text} {'below' if metres < 0 else 'above'} the {ground}"


def too(miss: float, imperial: bool) -> str:
    """How far off the owner's window, metres, above it positive; empty where it is not.

    >>> too(-0.0254, True), too(0.001, True), too(0.0, True)
    ('1 in too low', 'less than ¼ in too high', '')
    """
    if abs(miss) <= 1e-4:
        return ""
    text = height(abs(miss), imperial)
    if text.startswith("0 "):
        text = "less than ¼ in" if imperial else "less than 5 mm"
    return f"{text} too {'high' if miss > 0 else 'low'}"


def away(metres: float, imperial: bool) -> str:
    """A distance to walk.

    >>> away(30.48, True), away(30.48, False)
    ('100 ft', '30 m')
    """
    return f"{metres / 0.3048:.0f} ft" if imperial else f"{metres:.0f} m"


def compass(east: float, north: float) -> str:
    """The eighth of the compass that a way leads to, grid north.

    >>> compass(1, 0), compass(-1, -1), compass(0.1, 2)
    ('E', 'SW', 'N')
    """
    return ("N", "NE", "E", "SE", "S", "SW", "W", "NW")[round(math.atan2(east, north) / (math.pi / 4)) % 8]


def stage(kind: str, change: float, curb_near: bool) -> str:
    """At which stage of the road job a sheet is done; change: metres that the ground moves, up positive."""
    if kind == Action.measure.name:
        return "Now: before the parts are ordered and before any ground is moved."
    if kind == Action.on_site.name:
        return "When the final grade is staked and any curb is set, before the final surface."
    if kind == DRESS:
        return "After the curb and the shaping, before the final surface."
    if curb_near:
        return "After the curb is set, before the final surface: the curb decides the ground here."
    if change != change or change > 0:
        return "Before the fill is placed: the flange bolts must stay in reach."
    return "After the cut or the curb, before the final surface."


_OPENING = (
    "hydrant wrench, branch valve key",
    "wrenches for flange and bonnet bolts",
    "torque wrench",
    "lifting gear rated for the barrel",
    "pump for the barrel, gauge and hose cap",
    "dechlorination, diffuser",
    "out-of-service cover or bag",
)
_RULE = ("rule and straightedge", "camera")
TOOLS: dict[str, tuple[str, ...]] = {
    Action.extend.name: (*_OPENING, *_RULE),
    Action.shorten.name: (*_OPENING, "digging tools, shoring as needed", *_RULE),
    Action.on_site.name: (*_OPENING, *_RULE),
    Action.measure.name: ("rule or tape to 1/16 in (1 mm)", "straightedge and level", "camera"),
    DRESS: ("shovel, rake and tamper", *_RULE),
}

STANDING: tuple[str, ...] = (
    "Traffic control first; utility locate before any digging.",
    "Branch valve missing or passing: STOP, shut down the main.",
    "Before unbolting: branch valve closed, barrel drained, zero pressure proved at an outlet.",
    "Drain plugged: pump the barrel out.",
    "Stored pressure: stand clear of caps and bonnet.",
    "Lifting: rated gear, nobody below.",
    "Never two neighbouring hydrants out together.",
    "Fire department told before and after; cover or mark it.",
    "After: open and close fully, then open the branch valve.",
    "Refill slowly, venting an outlet; test for leaks and drain.",
    "Control and dechlorinate whatever is discharged.",
    "The hydrant maker's own manual, local code and licensed practice come first.",
)

FOR_THE_CREW: dict[str, str] = {
    "fill_over_review": "Large fill: start only after the engineer's review of main and lateral.",
    "cut_over_review": "Large cut: start only after the engineer's review of the cover over main and lateral.",
    "cover_below_min": "Cover over the branch pipe would be too small: start only after the engineer's word.",
    "extension_unknown": "Not known whether an extension is fitted already: look first, and stop if one is.",
    "clearance_assumed": "The flange height today was not measured: what is written for it is an assumption.",
    "heights_disagree": "Surveyed and measured flange heights disagree: measure again first.",
    "off_before": "Outside the owner's window already today: photograph it before the work.",
    "curb_near": "A curb or wall is near: check against the stakes before anything is set.",
    "roads_disagree": "Two roads of the design disagree here: check against the stakes before anything is set.",
    "setback_doubt": "It may stand in the new pavement or too near its edge: measure how far it is from the edge.",
    "dress": "It ends outside the owner's window, within reach of dressing: shape the ground by hand.",
    "window_empty": "The owner's window and the outlet rule do not fit together here: note the outlet height.",
    "no_id": "The layer has no id for it: the one shown is made up. Go by the place.",
    "repeated_id": "Its id stands on several hydrants; what follows '#' tells them apart. Go by the place.",
}
"""Cautions that the crew must act on otherwise than `cautions.MEANING` says to the engineer."""

TO_DECIDE: dict[Action, str] = {
    Action.too_high: "Lower it by other means (new lower barrel or bury, new hydrant), change the grade, or accept it?",
    Action.between_lengths: "Special length, more than one extension, change the grade, or accept the nearest?",
    Action.relocate: "The new place, who designs and pays for it, and whether the branch reaches.",
    Action.no_elevation: "Where the missing ground elevation comes from: survey, another design file, or the stakes.",
}


HELD: dict[str, str] = {
    "fill_over_review": "Are main and lateral, and what stands on them, fit for this fill?",
    "cut_over_review": "Is the cover over main and lateral enough (frost, traffic), or must they be lowered?",
    "cover_below_min": "Is so little cover over the branch pipe accepted, or must it be lowered?",
}
"""What an engineer must agree to before a crew may start, by caution."""


def short(stage_words: str) -> str:
    """A stage in a list's few words.

    >>> short("When the final grade is staked and any curb is set, before the final surface.")
    'When the final grade is staked'
    """
    return re.split(r"[:,]| and ", stage_words)[0]


def flange_words(point: str) -> str:
    """What a flange height is measured at, from the owner's `flange_point`."""
    return f"Flange height = {point} of the break flange above the ground beside it."
