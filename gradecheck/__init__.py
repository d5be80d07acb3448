"""gradecheck: what dry-barrel fire hydrants need once a road's grade changes, and the parts to order.

The whole job is `run(Plan.load("plan.toml"))`; the steps are `open_inputs`, `assess`, `write`. Everything
public is listed in `__all__` and loaded when first used, so that the command line starts at once.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOME = {
    "Action": "gradecheck.decision",
    "Alignment": "gradecheck.roads.alignment",
    "Assessment": "gradecheck.assessment",
    "Basis": "gradecheck.clearance",
    "Cases": "gradecheck.cases",
    "Catalog": "gradecheck.catalog",
    "Confirmation": "gradecheck.confirming",
    "Corridor": "gradecheck.surfaces.corridor",
    "CrossSections": "gradecheck.roads.crosssections",
    "Decision": "gradecheck.decision",
    "Design": "gradecheck.surfaces.design",
    "Finding": "gradecheck.errors",
    "GradeChange": "gradecheck.change",
    "GradecheckError": "gradecheck.errors",
    "Given": "gradecheck.asbuilt",
    "Heights": "gradecheck.surfaces",
    "InputError": "gradecheck.errors",
    "Inputs": "gradecheck.inputs",
    "LandXml": "gradecheck.formats.landxml",
    "Layered": "gradecheck.surfaces",
    "Length": "gradecheck.units",
    "Mesh": "gradecheck.roads.mesh",
    "Mixture": "gradecheck.probability",
    "OutputError": "gradecheck.errors",
    "Pavement": "gradecheck.setback",
    "Plan": "gradecheck.plan",
    "PlanError": "gradecheck.errors",
    "Policy": "gradecheck.policy",
    "Profile": "gradecheck.roads.profile",
    "Result": "gradecheck.pipeline",
    "Section": "gradecheck.roads.section",
    "Surface": "gradecheck.surfaces",
    "Tin": "gradecheck.surfaces.tin",
    "assess": "gradecheck.assessment",
    "compute": "gradecheck.pipeline",
    "confirm": "gradecheck.pipeline",
    "decide": "gradecheck.decision",
    "grade_change": "gradecheck.change",
    "inspect": "gradecheck.pipeline",
    "open_inputs": "gradecheck.inputs",
    "read_catalog": "gradecheck.formats.tables",
    "read_dxf": "gradecheck.formats.dxf",
    "read_landxml": "gradecheck.formats.landxml",
    "read_sections": "gradecheck.formats.sections",
    "right_choices": "gradecheck.decision",
    "run": "gradecheck.pipeline",
    "total_order": "gradecheck.order",
    "write": "gradecheck.pipeline",
    "write_starter": "gradecheck.starter",
}

__all__ = ["__version__", *_HOME]

if TYPE_CHECKING:
    from gradecheck.asbuilt import Given as Given
    from gradecheck.assessment import Assessment as Assessment
    from gradecheck.assessment import assess as assess
    from gradecheck.cases import Cases as Cases
    from gradecheck.catalog import Catalog as Catalog
    from gradecheck.change import GradeChange as GradeChange
    from gradecheck.change import grade_change as grade_change
    from gradecheck.clearance import Basis as Basis
    from gradecheck.confirming import Confirmation as Confirmation
    from gradecheck.decision import Action as Action
    from gradecheck.decision import Decision as Decision
    from gradecheck.decision import decide as decide
    from gradecheck.decision import right_choices as right_choices
    from gradecheck.errors import Finding as Finding
    from gradecheck.errors import GradecheckError as GradecheckError
    from gradecheck.errors import InputError as InputError
    from gradecheck.errors import OutputError as OutputError
    from gradecheck.errors import PlanError as PlanError
    from gradecheck.formats.dxf import read_dxf as read_dxf
    from gradecheck.formats.landxml import LandXml as LandXml
    from gradecheck.formats.landxml import read_landxml as read_landxml
    from gradecheck.formats.sections import read_sections as read_sections
    from gradecheck.formats.tables import read_catalog as read_catalog
    from gradecheck.inputs import Inputs as Inputs
    from gradecheck.inputs import open_inputs as open_inputs
    from gradecheck.order import total_order as total_order
    from gradecheck.pipeline import Result as Result
    from gradecheck.pipeline import compute as compute
    from gradecheck.pipeline import confirm as confirm
    from gradecheck.pipeline import inspect as inspect
    from gradecheck.pipeline import run as run
    from gradecheck.pipeline import write as write
    from gradecheck.plan import Plan as Plan
    from gradecheck.policy import Policy as Policy
    from gradecheck.probability import Mixture as Mixture
    from gradecheck.roads.alignment import Alignment as Alignment
    from gradecheck.roads.crosssections import CrossSections as CrossSections
    from gradecheck.roads.mesh import Mesh as Mesh
    from gradecheck.roads.profile import Profile as Profile
    from gradecheck.roads.section import Section as Section
    from gradecheck.setback import Pavement as Pavement
    from gradecheck.starter import write_starter as write_starter
    from gradecheck.surfaces import Heights as Heights
    from gradecheck.surfaces import Layered as Layered
    from gradecheck.surfaces import Surface as Surface
    from gradecheck.surfaces.corridor import Corridor as Corridor
    from gradecheck.surfaces.design import Design as Design
    from gradecheck.surfaces.tin import Tin as Tin
    from gradecheck.units import Length as Length


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'gradecheck' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
