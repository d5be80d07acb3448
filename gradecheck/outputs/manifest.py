"""run.json: what was run, on what, with what, and the digests of what came out."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, distribution, version
from pathlib import Path
from typing import Any

from gradecheck import __version__, locations
from gradecheck.addresses import is_address
from gradecheck.errors import Finding, OutputError
from gradecheck.grounds import Ground
from gradecheck.inputs import Inputs
from gradecheck.plan import Plan
from gradecheck.roads.section import BUILT_IN
from gradecheck.surfaces.remote import Said

_LIBRARIES = (
    "geopandas",
    "jinja2",
    "numpy",
    "pandas",
    "pyarrow",
    "pydantic",
    "pyogrio",
    "pyproj",
    "rasterio",
    "scipy",
    "shapely",
)
_OF_A_SHAPEFILE = (".shx", ".dbf", ".prj", ".cpg")


def versions() -> dict[str, str]:
    """Versions of this program, Python and the libraries that the numbers rest on."""
    import pyogrio
    import pyproj
    import rasterio

    return {
        "gradecheck": __version__,
        "python": platform.python_version(),
        **{name: version(name) for name in _LIBRARIES},
        "gdal_rasters": rasterio.__gdal_version__,
        "gdal_layers": pyogrio.__gdal_version_string__,
        "proj": pyproj.proj_version_str,
    }


@lru_cache(maxsize=1)
def materials() -> dict[str, str]:
    """The bill of materials: installed distributions that gradecheck, or one of them, asks for, with their versions."""
    found: dict[str, str] = {}
    waiting = ["gradecheck"]
    while waiting:
        name = waiting.pop()
        with suppress(PackageNotFoundError):
            one = distribution(name)
            if one.name not in found:
                found[one.name] = one.version
                asked = (text for text in one.requires or () if name == "gradecheck" or "extra ==" not in text)
                waiting += [re.split(r"[^\w.-]", text, maxsplit=1)[0] for text in asked]
    return dict(sorted(found.items(), key=lambda item: item[0].lower()))


def input_files(inputs: Inputs) -> list[dict[str, Any]]:
    """Every file that was read: role, path as written in the plan, size, SHA-256; of one on a network what is known."""
    plan = inputs.plan
    named: list[tuple[str, str, Path]] = []
    if plan.file is not None:
        named.append(("plan", plan.file.name, plan.file))
    named.append(("hydrants", plan.hydrants.path, plan.resolve(plan.hydrants.path)))
    for role, path in (
        ("paving", plan.paving.path if plan.paving else None),
        ("limits", plan.after.limits),
        ("pavement", plan.after.pavement),
        ("catalog", plan.catalog.path),
        *(("measurements", book.shown) for book in (inputs.field.books if inputs.field else ())),
    ):
        if path is not None:
            named.append((role, path, plan.resolve(path)))
    for ground in (inputs.before_ground, inputs.after_ground):
        here = [file for file in (*ground.files, *_sections(plan, ground)) if not locations.is_remote(file)]
        named += [(ground.where, _beside_plan(file, plan.folder), file) for file in map(Path, here)]
    grounds = inputs.before_ground, inputs.after_ground
    remote = [away(ground.where, file, ground.said.get(file)) for ground in grounds for file in _remote(ground)]
    return [*entries(named), *remote]


def discreet(value: Any, folder: Path) -> Any:
    """Any content with paths as others may see them: relative to the plan's folder, "~" for the home of who runs it."""
    home = str(Path.home())
    places = [(f"{folder.resolve()}{os.sep}", "")] + ([] if home in ("/", "") else [(home, "~")])
    places += [(old.replace(os.sep, "/"), new) for old, new in places if os.sep != "/"]

    def plain(inner: Any) -> Any:
        if isinstance(inner, str):
            for old, new in places:
                inner = inner.replace(old, new) if old in inner else inner
            return inner
        if isinstance(inner, Mapping):
            return {plain(key): plain(one) for key, one in inner.items()}
        return [plain(one) for one in inner] if isinstance(inner, list | tuple) else inner

    return plain(value)


def check_no_input(plan: Plan, folder: Path, names: Iterable[str]) -> None:
    """Raises OutputError where a file of the run, one of `names` in `folder`, would take an input's place."""
    grounds = [source for ground in (plan.before, plan.after) if ground is not None for source in ground.layers_down]
    written = {
        "the plan": plan.file,
        "hydrants.path": plan.hydrants.path,
        "paving.path": plan.paving.path if plan.paving else None,
        "after.limits": plan.after.limits,
        "after.pavement": plan.after.pavement,
        "catalog.path": plan.catalog.path,
        "stable.path": plan.stable.path if plan.stable else None,
        **{f"{source.kind} {path}": path for source in grounds for path in source.paths},
    }
    there = {os.path.realpath(folder / name): name for name in names}  # which, unlike resolve(), takes a loop of links
    for key, path in written.items():
        file = None if path is None else path if isinstance(path, Path) else plan.resolve(path)
        name = None if file is None else there.get(os.path.realpath(file))
        if name is not None:
            what = f"the run would put its own {name} over an input ({key})"
            raise OutputError(Finding(folder.as_posix(), what, "choose another output folder, or rename the input"))


def facts(inputs: Inputs) -> dict[str, Any] | None:
    """What a run rests on, each thing under its name; None where of some input no version can be told.

    Hydrants and jobs of a database or service are left out: what was read of them is in the batches themselves.
    """
    known: dict[str, Any] = {"the plan": inputs.plan.as_written(), "the versions": versions()}
    known["the catalogue"] = inputs.catalog.model_dump(mode="json")
    for one in input_files(inputs):
        version = one["sha256"] or one.get("etag") or one.get("last_modified")
        if version is None and one["role"] not in ("hydrants", "paving", "plan"):
            return None
        if one["role"] != "plan":
            known[f"{one['role']} ({one['path']})"] = [one["bytes"], version]
    return known


def _remote(ground: Ground) -> list[str]:
    """Its files on a network, once: those that were opened, and those that virtual ones name."""
    return list(dict.fromkeys([*(f for f in ground.files if locations.is_remote(f)), *ground.said]))


def away(role: str, file: str, said: Said | None) -> dict[str, Any]:
    """What run.json says of a file on a network, without the secrets of its address."""
    known = {"bytes": None} if said is None else said.as_dict()
    why = "not computed: only parts of the file were read"
    return {"role": role, "path": locations.address_of(file), **known, "sha256": None, "sha256_note": why}


def entries(named: Iterable[tuple[str, str, Path]]) -> list[dict[str, Any]]:
    """What run.json says of files (role, path as shown, path), each with what belongs to it.

    What was asked of a database or a service has neither size nor digest.
    """
    return [
        {"role": role, "path": part_shown}
        | ({"bytes": part.stat().st_size, "sha256": digest(part)} if part else _NO_FILE)
        for role, shown, path in named
        for part_shown, part in ([(shown, None)] if is_address(shown) else _parts(shown, path))
    ]


_PIECE = 1 << 22
"""Bytes digested at a time: large, as a thread that digests waits for its turn after each."""
_NO_FILE: dict[str, Any] = {"bytes": None, "sha256": None, "sha256_note": "no file"}


def _sections(plan: Plan, ground: Ground) -> list[str]:
    """The files of cross-sections; built-in ones have none."""
    named = dict.fromkeys(s.settings.section for s in ground.sources if s.settings.section not in (None, *BUILT_IN))
    return [str(plan.resolve(name)) for name in named if name is not None]


def _parts(shown: str, path: Path) -> Iterable[tuple[str, Path]]:
    """A file with what belongs to it; all files of a folder that is one dataset."""
    if path.is_dir():
        return [(f"{shown}/{p.name}", p) for p in sorted(path.iterdir()) if p.is_file()]
    if path.suffix.lower() != ".shp":
        return [(shown, path)]
    beside = [(f"{shown.removesuffix(path.suffix)}{s}", path.with_suffix(s)) for s in _OF_A_SHAPEFILE]
    return [(shown, path), *((s, p) for s, p in beside if p.is_file())]


def _beside_plan(file: Path, folder: Path) -> str:
    return (file.relative_to(folder) if file.is_relative_to(folder) else file).as_posix()


def digest(path: Path) -> str:
    """SHA-256 of a file, hexadecimal; taken once of a file that stays as it is."""
    stat = path.stat()
    return _digest(path, stat.st_size, stat.st_mtime_ns, stat.st_ino)


@lru_cache(maxsize=50_000)
def _digest(path: Path, *_: int) -> str:
    found = hashlib.sha256()
    piece = memoryview(bytearray(_PIECE))
    with path.open("rb", buffering=0) as file:
        while size := file.readinto(piece):
            found.update(piece[:size])
    return found.hexdigest()


def renewed(path: Path, aside: Path, order: Mapping[str, Any] | None, outputs: Iterable[Path]) -> list[Path]:
    """A copy of run.json in `aside` with a new order and digests of files made anew; nothing where a run wrote none.

    order: None where the order's own files are elsewhere.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if "gradecheck" not in content["versions"]:
            return []
    except (OSError, ValueError, KeyError, TypeError):
        return []
    if order is not None:
        content.update({key: order[key] for key in ("order", "cost", "order_by", "actions")})
        content.setdefault("counts", {}).update(order["counts"])
        content["review"] = {"day": order["day"], "reviewed": order["reviewed"], "warnings": order["warnings"]}
    for file in outputs:
        content.setdefault("outputs", {})[file.name] = {"bytes": file.stat().st_size, "sha256": digest(file)}
    fresh = aside / path.name
    _write_json(fresh, content)
    return [fresh]


def _write_json(path: Path, content: Mapping[str, Any]) -> None:
    with path.open("w", encoding="utf-8") as file:
        json.dump(content, file, indent=1, ensure_ascii=False, default=str)
        file.flush()
        os.fsync(file.fileno())


def write_manifest(
    path: Path,
    plan: Plan,
    inputs: Sequence[Mapping[str, Any]],
    summary: Mapping[str, Any],
    timings: Mapping[str, float],
    outputs: Mapping[str, Path],
) -> None:
    """Write run.json, `inputs` as `input_files` lists them.

    It names the digests of the files that belong together, so it is written last.
    """
    content = {
        "versions": {**versions(), "materials": materials()},
        "command": Path(sys.argv[0]).name if sys.argv else "",
        "plan": plan.as_written(),
        "inputs": inputs,
        **summary,
        "timings_s": {name: round(seconds, 3) for name, seconds in timings.items()},
        "outputs": {name: {"bytes": p.stat().st_size, "sha256": digest(p)} for name, p in outputs.items()},
    }
    _write_json(path, discreet(content, plan.folder))
