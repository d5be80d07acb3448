"""Small inputs for the tests of the core: ground in closed form, hydrants in inches, and an independent judge.

`possible` and `right` are written from the contract's words, by plain enumeration, and share nothing with the
package: they say which choices a hydrant has and which of them is right for a given clearance.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations_with_replacement
from typing import Any

import numpy as np
import pyarrow as pa
import shapely
from pyproj import CRS

from gradecheck.assessment import Assessment, assess
from gradecheck.catalog import GENERIC, GENERIC_FAMILY, Catalog
from gradecheck.decision import Action, Cases, Decision, decide
from gradecheck.grounds import Ground as OpenedGround
from gradecheck.hydrants import Hydrants, Rejected
from gradecheck.inputs import Inputs, errors_of
from gradecheck.paving import Jobs
from gradecheck.plan import Plan
from gradecheck.policy import Policy
from gradecheck.probability import Mixture
from gradecheck.setback import Pavement
from gradecheck.surfaces import Heights
from gradecheck.surfaces.design import Design

IN = 0.0254
FT = 0.3048
NAN = float("nan")
GENERIC_INCHES = tuple(range(6, 61, 6))
WORK = CRS("EPSG:32615")
TODAY = date(2027, 1, 11)
EVERYWHERE = shapely.box(-1e6, -1e6, 1e6, 1e6)


@dataclass(frozen=True)
class Ground:
    """Ground in closed form: z(x, y) in metres, NaN where there is none."""

    z: Callable[[Any, Any], Any]
    sd: float = 0.0
    extent: shapely.Geometry = EVERYWHERE
    names: tuple[str, ...] = ("drawn",)

    def heights(self, x: Any, y: Any) -> Heights:
        z = np.asarray(self.z(x, y), dtype=float)
        has = np.isfinite(z)
        return Heights(z, np.where(has, self.sd, np.nan), np.where(has, 0, -1).astype(np.int32), self.names)


def flat(z: float, sd: float = 0.0) -> Ground:
    return Ground(lambda x, y: np.full(len(x), z), sd)


def open_design(surface: Ground) -> Design:
    """A design of which nothing is said but its ground."""
    return Design(surface, None, None)


def policy(**settings: Any) -> Policy:
    """The default policy with other settings; a bare number is inches, unless it is a count or a level."""
    bare = ("max_extensions", "confidence", "service_level", "outlet_from", "flange_point")
    return Policy(**{k: v if k in bare or isinstance(v, str) else f"{v!r} in" for k, v in settings.items()})


# --- hydrants for `decide`, in inches -------------------------------------------------------------------------


def hydrants(
    after: Sequence[float],
    *,
    change: Sequence[float] | float = 0.0,
    ground_sd: Sequence[float] | float = 0.0,
    clearance_sd: Sequence[float] | float = 0.0,
    spread: Sequence[float] | float = 0.0,
    fitted: Sequence[float] | float = 0.0,
    outlet: Sequence[float] | float = NAN,
    lengths: Sequence[float] | tuple[Sequence[float], ...] = GENERIC_INCHES,
    family: Sequence[int] | int = 0,
    outside: Sequence[bool] | bool = False,
    shared: tuple[float, float] = (0.0, 0.0),
    measure_sd: float = 0.25,
    ground: Mixture | None = None,
) -> Cases:
    """Hydrants by their clearance after the job if nothing is done (at the point), everything in inches."""
    n = len(after)

    def full(v: Any) -> Any:
        return np.broadcast_to(np.asarray(v, dtype=float), (n,)) * IN

    table = lengths if lengths and isinstance(lengths[0], tuple) else (lengths,)
    return Cases(
        clearance_after=full(after),
        change=full(change),
        ground=Mixture.single(full(ground_sd)) if ground is None else ground,
        shared=np.tile(np.array(shared) * IN, (n, 1)),
        clearance_sd=full(clearance_sd),
        spread=full(spread),
        family=np.broadcast_to(np.asarray(family, dtype=np.int64), (n,)),
        lengths=tuple(tuple(v * IN for v in row) for row in table),  # type: ignore[union-attr]
        fitted=full(fitted),
        outlet=full(outlet),
        outside=np.broadcast_to(np.asarray(outside, dtype=bool), (n,)),
        measure_sd=measure_sd * IN,
    )


def atoms(*per_hydrant: Sequence[tuple[float, float, float]]) -> Mixture:
    """A mixture from (offset in inches, weight, sd in inches) of each atom of each hydrant."""
    rows = np.array([a for h in per_hydrant for a in h], dtype=float)
    start = np.concatenate(([0], np.cumsum([len(h) for h in per_hydrant]))).astype(np.int64)
    return Mixture(start, rows[:, 0] * IN, rows[:, 1], rows[:, 2] * IN)


@dataclass(frozen=True)
class Row:
    """What was decided for one hydrant, lengths in inches."""

    action: str
    confidence: float
    parts: tuple[float, ...]
    out: float
    rise: float
    new: float
    final: float
    miss: float
    left: int
    second: tuple[float, ...] | None


def _inches(v: float) -> float:
    return round(float(v) / IN, 6) + 0.0


def rows(decision: Decision) -> list[Row]:
    found = []
    for i, code in enumerate(decision.action.tolist()):
        table = decision.tables[decision.table[i]] if decision.table[i] >= 0 else None

        def pieces(which: int, table: Any = table) -> tuple[float, ...] | None:
            return None if which < 0 else tuple(_inches(table.lengths[p]) for p in table.pieces[which])

        found.append(
            Row(
                action=Action(code).name,
                confidence=float(decision.confidence[i]),
                parts=pieces(int(decision.best[i])) or (),
                out=_inches(decision.out[i]),
                rise=_inches(decision.rise[i]),
                new=_inches(decision.new[i]),
                final=_inches(decision.clearance_final[i]),
                miss=_inches(decision.window_miss[i]),
                left=int(decision.left[i]),
                second=pieces(int(decision.second[i])),
            )
        )
    return found


def decided(after: float, rules: Policy | None = None, **known: Any) -> Row:
    """The decision for one hydrant whose clearance after the job would be `after` inches."""
    return rows(decide(hydrants([after], **known), rules or policy()))[0]


# --- the judge ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Option:
    """One thing that can be done: pieces put in (longest first), length taken out, extensions left; inches."""

    pieces: tuple[float, ...]
    out: float
    left: int

    @property
    def rise(self) -> float:
        return sum(self.pieces) - self.out

    @property
    def preference(self) -> tuple[float, ...]:
        """The contract's tie-breaks after the distance to the target: least first."""
        return len(self.pieces), self.left, -max(self.pieces, default=0.0)


def possible(
    lengths: Sequence[float], fitted: float, max_extensions: int, max_extension: float = np.inf
) -> list[Option]:
    """All choices of a hydrant by the contract's four lines."""
    has = 1 if fitted > 0 else 0
    found = [Option((), 0.0, has)]
    for count in range(1, max_extensions + 1):
        for stack in combinations_with_replacement(sorted(lengths, reverse=True), count):
            if has + count <= max_extensions and sum(stack) <= max_extension + 1e-9:
                found.append(Option(stack, 0.0, has + count))
    if has:
        found += [Option((v,), fitted, 1) for v in lengths if v <= max_extension + 1e-9]
        found.append(Option((), fitted, 0))
    return found


def right(c: float, options: Sequence[Option], low: float, high: float, target: float) -> Option | None:
    """The choice that ends in [low, high] nearest the target, ties by preference; None where none ends in it."""
    inside = [o for o in options if low - 1e-9 <= c + o.rise <= high + 1e-9]
    return min(inside, key=lambda o: (round(abs(c + o.rise - target), 6), o.preference), default=None)


# --- hydrants for `assess`, through everything but the files ----------------------------------------------------


@dataclass(frozen=True)
class Site:
    """One hydrant a kilometre east of the one before; inches, but `bury` in feet.

    change: how far the design moves the ground there (None: a hole in the design). before: False for a hole in
    the existing ground. flange: surveyed flange above an existing ground of 100 m.
    """

    change: float | None = 0.0
    measured: float | None = None
    flange: float | None = None
    fitted: float | None = 0.0
    outlet: float | None = None
    bury: float | None = None
    before: bool = True
    family: str | None = None
    north: float = 0.0
    bits: int = 0


def exact_plan(rules: Mapping[str, Any] | None = None, **changes: Any) -> Plan:
    """A plan whose surfaces, points and measurements have no error; `changes` replace keys by "section__key"."""
    values: dict[str, Any] = {
        "hydrants": {
            "path": "h.gpkg",
            "position_sd": "0 m",
            "clearance": {"column": "c", "unit": "in", "sd": "0 in"},
            "flange_elevation": {"column": "f", "unit": "m", "sd": "0 in"},
        },
        "before": {"raster": "b.tif", "sd": "0 ft"},
        "after": {"raster": "a.tif", "sd": "0 ft"},
        "policy": dict(rules or {}),
    }
    for key, value in changes.items():
        section, _, name = key.partition("__")
        values.setdefault(section, {})[name] = value
    return Plan.parse(values)


def _column(sites: Sequence[Site], name: str, factor: float) -> Any:
    return np.array([NAN if getattr(s, name) is None else getattr(s, name) * factor for s in sites])


def hydrant_layer(x: Any, y: Any, **columns: Any) -> Hydrants:
    """Hydrants in memory at points of the working system; what is not given is unknown."""
    n = len(x)
    blank: dict[str, Any] = {k: np.full(n, NAN) for k in ("fitted", "bury", "clearance", "flange", "outlet")}
    blank |= dict.fromkeys(("family", "street", "opens"), (None,) * n)
    blank["cautions"] = np.zeros(n, dtype=np.int64)
    return Hydrants(
        table=pa.table({"n": list(range(n))}),
        geometry=shapely.points(x, y),
        crs=WORK,
        x=np.asarray(x, dtype=float),
        y=np.asarray(y, dtype=float),
        place=np.arange(1, n + 1),
        id=tuple(f"H{i + 1}" for i in range(n)),
        rejected=Rejected(
            pa.table({"n": pa.array([], pa.int64())}), np.zeros(0, np.int64), np.empty(0, dtype=object), ()
        ),
        total=n,
        read=n,
        shown="h.gpkg",
        **(blank | columns),
    )


def assessed(
    sites: Sequence[Site],
    plan: Plan | None = None,
    *,
    catalog: Catalog = GENERIC,
    jobs: Jobs | None = None,
    design: Design | None = None,
    pavement: Pavement | None = None,
) -> Assessment:
    """Sites through the public `assess`: existing ground at 100 m, the design as each site says."""
    plan = plan or exact_plan()
    x, y = 1000.0 * np.arange(len(sites)), np.array([s.north for s in sites])

    def at(px: Any, values: Any) -> Any:
        return values[np.clip(np.rint(px / 1000).astype(int), 0, len(sites) - 1)]

    old = np.array([100.0 if s.before else NAN for s in sites])
    new = 100.0 + _column(sites, "change", IN)
    known = {s.family or GENERIC_FAMILY for s in sites}
    names = tuple(sorted(known))
    layer = hydrant_layer(
        x,
        y,
        fitted=_column(sites, "fitted", IN),
        bury=_column(sites, "bury", FT),
        clearance=_column(sites, "measured", IN),
        flange=100.0 + _column(sites, "flange", IN),
        outlet=_column(sites, "outlet", IN),
        family=tuple(s.family for s in sites),
        cautions=np.array([s.bits for s in sites], dtype=np.int64),
    )
    before_sd = plan.before.sd.metres if plan.before else 0.0
    inputs = Inputs(
        plan=plan,
        catalog=catalog,
        hydrants=layer,
        family=np.array([names.index(s.family or GENERIC_FAMILY) for s in sites], dtype=np.int64),
        families=tuple((n, not catalog.generic and n in catalog.families) for n in names),
        work=WORK,
        jobs=jobs or Jobs(("all",), {"all": None}, np.inf),
        before=Ground(lambda px, py: at(px, old), before_sd),
        after=design or open_design(Ground(lambda px, py: at(px, new), plan.after.sd.metres)),
        before_ground=OpenedGround("before"),
        after_ground=OpenedGround("after"),
        pavement=pavement,
        roads=(None, None),
        notes=(),
        assumed=(),
        errors=errors_of(plan),
    )
    return assess(inputs, TODAY)
