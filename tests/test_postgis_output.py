"""Results in PostGIS, read back by psql, psycopg and geopandas; and nobody's data lost on the way there."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import psycopg
import pyarrow as pa
import pyogrio
import pytest
import shapely
import sqlalchemy as sa

from gradecheck import InputError, OutputError, Plan, compute, databases, pipeline, run, write
from gradecheck.errors import GradecheckError
from gradecheck.outputs.layer import _add_functions
from gradecheck.outputs.postgis import _kind
from gradecheck.outputs.summary import summary_text
from tests.conftest import Sample
from tests.postgis import Server
from tests.projects import CRS, hydrants, plan_values, point, three, tiny_plan, write_grounds

DAY = date(2027, 2, 1)
FILES = {"gradecheck.gpkg", "order.csv", "order.xlsx", "report.html", "run.json"}


@pytest.fixture(scope="module")
def made(postgis: Server) -> str:
    """A database in which `writer` may make schemas."""
    return postgis.database("results", "GRANT CREATE ON DATABASE results TO writer")


@pytest.fixture
def town(postgis: Server, made: str) -> str:
    """The same, with nothing of a former test in it."""
    postgis.sql(made, 'SET client_min_messages = error; DROP SCHEMA IF EXISTS gradecheck, "Road works" CASCADE')
    return made


@pytest.fixture
def place(postgis: Server, town: str) -> dict[str, str]:
    """The section [output]."""
    return {"postgis": postgis.address(town, "writer")}


def frame_of(postgis: Server, town: str, table: str, columns: str = "*") -> pd.DataFrame:
    engine = sa.create_engine(postgis.address(town).replace("postgresql:", "postgresql+psycopg:"))
    return pd.read_sql(f'SELECT {columns} FROM gradecheck."{table}" ORDER BY fid', engine)


def geo_of(postgis: Server, town: str, table: str) -> gpd.GeoDataFrame:
    engine = sa.create_engine(postgis.address(town).replace("postgresql:", "postgresql+psycopg:"))
    return gpd.read_postgis(f'SELECT * FROM gradecheck."{table}" ORDER BY fid', engine, geom_col="geom")


def told(call: Callable[[], object], kind: type[GradecheckError] = OutputError) -> tuple[str, str, str]:
    with pytest.raises(kind) as caught:
        call()
    (finding,) = caught.value.findings
    return finding.where, finding.what, finding.mend


def edit(postgis: Server, town: str, who: str, action: str | None, note: str | None = None) -> None:
    with psycopg.connect(postgis.address(town)) as db:
        done = db.execute(
            "UPDATE gradecheck.hydrants SET review_action = %s, review_note = %s WHERE hydrant_id = %s",
            (action, note, who),
        )
        assert done.rowcount == 1


def state(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}


# -- what is written --------------------------------------------------------------------------------------------


def test_every_layer_of_the_sample_is_a_table_with_the_same_rows(
    sample: Sample, postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    values = sample.plan.as_written()
    values["output"] |= place | {"dir": str(tmp_path / "out")}
    result = run(Plan.parse(values, sample.folder), today=DAY)
    package = tmp_path / "out" / "gradecheck.gpkg"
    layers = [n for n, kind in pyogrio.list_layers(package) if n not in ("order_basis", "layer_styles")]
    layers = [n for n in layers if not n.startswith(("to_", "for_", "gpkg_"))]
    tables = postgis.sql(
        town, "SELECT table_name FROM information_schema.tables WHERE table_schema = 'gradecheck' ORDER BY 1"
    ).split()
    assert sorted(tables) == sorted([*layers, "gradecheck_run"])
    counts = {}
    for name in layers:
        meta, wanted = pyogrio.raw.read_arrow(package, layer=name)
        geometry = meta["geometry_name"] or "wkb_geometry"
        got = geo_of(postgis, town, name) if geometry in wanted.column_names else frame_of(postgis, town, name)
        counts[name] = len(got)
        assert list(got.columns) == ["fid", *(c.replace(geometry, "geom") for c in wanted.column_names)], name
        for column in wanted.column_names:
            if column == geometry:
                shapes = shapely.from_wkb(np.array(wanted[column].to_pylist(), dtype=object))
                both = shapely.is_missing(shapes) & shapely.is_missing(got.geometry.to_numpy())
                assert (shapely.equals_exact(shapes, got.geometry.to_numpy()) | both).all()
                assert got.crs == CRS if meta["crs"] == CRS else got.crs is not None
            else:
                there = [None if pd.isna(v) else v for v in got[column].tolist()]
                assert there == [None if pd.isna(v) else v for v in wanted[column].to_pandas().tolist()], (name, column)
    assert result.summary["database"]["tables"] == counts
    assert json.loads((tmp_path / "out" / "run.json").read_text())["database"] == result.summary["database"]


def test_geometry_has_its_type_srid_and_index_and_columns_their_meaning(
    sample: Sample, postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    values = sample.plan.as_written()
    values["output"] |= place | {"dir": str(tmp_path / "out")}
    run(Plan.parse(values, sample.folder), today=DAY)
    srid = sample.result.assessment.inputs.hydrants.crs.to_epsg()
    kinds = dict(
        line.split("|")[::2]
        for line in postgis.sql(
            town,
            "SELECT f_table_name, f_geometry_column, type || ' ' || coord_dimension || ' ' || srid"
            " FROM geometry_columns WHERE f_table_schema = 'gradecheck'",
        ).splitlines()
    )
    assert kinds["hydrants"] == f"POINT 2 {srid}"
    assert kinds["limits"] in (f"POLYGON 2 {srid}", f"MULTIPOLYGON 2 {srid}")
    indexed = postgis.sql(
        town, "SELECT tablename FROM pg_indexes WHERE schemaname = 'gradecheck' AND indexdef LIKE '%USING gist (geom)'"
    )
    assert sorted(indexed.split()) == sorted(kinds)
    package = sample.package
    described = {}
    for line in postgis.sql(
        town,
        "SELECT c.relname, a.attname, col_description(c.oid, a.attnum) FROM pg_class c JOIN pg_attribute a"
        " ON a.attrelid = c.oid WHERE c.relnamespace = 'gradecheck'::regnamespace AND c.relname <> 'gradecheck_run'"
        " AND col_description(c.oid, a.attnum) IS NOT NULL",
    ).splitlines():
        table, column, meaning = line.split("|", 2)
        described[table, column] = meaning
    with sqlite3.connect(package) as db:
        wanted = {
            (t, c): d
            for t, c, d in db.execute("SELECT table_name, column_name, description FROM gpkg_data_columns")
            if not t.startswith(("to_", "for_"))
        }
    db.close()
    assert described == wanted


def test_awkward_columns_and_values_come_through(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    odd = {
        "xmin": [1, 2, 3],
        'Robert"); DROP TABLE hydrants; --': ["a\tb", "c\\n\nd", "\\."],
        "Ünï %s {}": [None, "", "NULL"],
        "fid": [7, 8, 9],
        "seen": pd.to_datetime(["2026-04-01 10:00", None, "2026-04-03 00:00"]),
        "day": [date(2026, 1, 2), None, date(2026, 1, 4)],
        "ok": pd.array([True, None, False], dtype="boolean"),
        "blob": [b"\x00\xff", None, b""],
    }
    layer = three().assign(**odd)
    layer.geometry = [point(11, 23, 1.5), point(37, 5, 2.5), point(71, 62, 3.5)]
    layer.to_parquet(tmp_path / "h.parquet")
    write_grounds(tmp_path)
    run(Plan.parse(plan_values("h.parquet", output=place), tmp_path))
    got = geo_of(postgis, town, "hydrants")
    assert got.xmin_input.tolist() == [1, 2, 3]
    for name in ('Robert"); DROP TABLE hydrants; --', "Ünï %s {}", "blob"):
        assert [None if pd.isna(v) else v for v in got[name].tolist()] == odd[name], name
    assert got.fid_input.tolist() == [7, 8, 9]
    assert got.day.tolist() == odd["day"]
    assert [None if pd.isna(v) else bool(v) for v in got.ok] == [True, None, False]
    assert got.seen[0] == pd.Timestamp("2026-04-01 10:00")
    assert shapely.get_z(got.geometry).tolist() == [1.5, 2.5, 3.5]


def test_heights_on_some_points_alone_are_kept(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    layer = three()
    layer.geometry = [point(11, 23), point(37, 5, 2.5), point(71, 62)]
    layer.to_parquet(tmp_path / "h.parquet")
    write_grounds(tmp_path)
    plan = Plan.parse(plan_values("h.parquet", output=place), tmp_path)
    run(plan)
    run(plan)
    got = geo_of(postgis, town, "hydrants")
    assert shapely.has_z(got.geometry.to_numpy()).tolist() == [False, True, False]
    assert set(shapely.get_srid(got.geometry.to_numpy())) <= {0, 32615}
    assert "32615" in postgis.sql(town, "SELECT DISTINCT st_srid(geom) FROM gradecheck.hydrants")


def test_the_tables_read_as_hydrants_give_the_same_decisions(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    first = run(tiny_plan(tmp_path, output=place)).hydrants
    source = {"path": postgis.address(town), "layer": "gradecheck.hydrants"}
    again = compute(Plan.parse(plan_values(hydrants=source), tmp_path)).hydrants
    assert again.action.tolist() == first.action.tolist() == again.action_input.tolist()


def test_the_terminal_and_run_json_say_what_was_written_where(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    result = run(tiny_plan(tmp_path, output=place | {"schema": "Road works"}))
    text = " ".join(summary_text(result.summary, "out").split())
    assert "schema Road works: hydrants 3, rejected 0" in text
    assert place["postgis"] in text
    assert postgis.sql(town, 'SELECT count(*) FROM "Road works".hydrants') == "3"


# -- again, and beside other people's things --------------------------------------------------------------------


def test_a_second_run_fills_the_same_tables_so_that_views_and_rights_stay(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    plan = tiny_plan(tmp_path, output=place)
    run(plan)
    postgis.sql(
        town,
        "CREATE VIEW public.to_extend AS SELECT hydrant_id FROM gradecheck.hydrants WHERE action = 'extend';"
        "GRANT USAGE ON SCHEMA gradecheck TO reader; GRANT SELECT ON gradecheck.hydrants TO reader",
    )
    tiny_plan(tmp_path, three().iloc[:2], output=place)
    run(plan)
    assert postgis.sql(town, "SELECT hydrant_id FROM public.to_extend ORDER BY 1").split() == ["H-1", "H-2"]
    assert postgis.sql(town, "SELECT count(*), max(fid) FROM gradecheck.hydrants", user="reader") == "2|2"


def test_other_columns_make_the_table_anew_unless_a_view_rests_on_it(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    run(tiny_plan(tmp_path, output=place))
    plan = tiny_plan(tmp_path, three().assign(more=1), output=place)
    postgis.sql(town, "CREATE VIEW public.v AS SELECT hydrant_id FROM gradecheck.hydrants")
    before = state(tmp_path / "out")
    where, what, _ = told(lambda: run(plan))
    assert (where, "view v" in what) == ("output.postgis", True)
    assert state(tmp_path / "out") == before
    postgis.sql(town, "DROP VIEW public.v")
    run(plan)
    assert geo_of(postgis, town, "hydrants").more.tolist() == [1, 1, 1]


def test_tables_that_a_run_no_longer_has_go_and_other_peoples_stay(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    area = hydrants({"job": ["Q"]}, [shapely.box(500_000, 4_600_000, 500_100, 4_600_100)])
    area.to_file(tmp_path / "p.gpkg")
    run(tiny_plan(tmp_path, output=place, paving={"path": "p.gpkg", "job": "job"}))
    postgis.sql(town, "CREATE TABLE gradecheck.notes AS SELECT 1 AS a")
    there = "SELECT string_agg(relname, ' ' ORDER BY relname) FROM pg_class WHERE relkind = 'r' AND relname IN"
    there += " ('limits', 'notes', 'hydrants')"
    assert postgis.sql(town, there) == "hydrants limits notes"
    run(tiny_plan(tmp_path, output=place))
    assert postgis.sql(town, there) == "hydrants notes"


@pytest.mark.parametrize(
    "theirs", ["TABLE gradecheck.hydrants AS SELECT 1 AS precious", 'VIEW gradecheck."order" AS SELECT 1 AS precious']
)
def test_somebody_elses_table_of_that_name_stops_the_run(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path, theirs: str
) -> None:
    postgis.sql(town, f"CREATE SCHEMA gradecheck AUTHORIZATION writer; SET ROLE writer; CREATE {theirs}")
    where, what, mend = told(lambda: run(tiny_plan(tmp_path, output=place)))
    assert where == "output.schema"
    assert "which no run of gradecheck made" in what
    assert "another schema" in mend
    assert postgis.sql(town, f"SELECT precious FROM {theirs.split()[1]}") == "1"
    assert not (tmp_path / "out").exists()
    stops = pipeline.inspect(tiny_plan(tmp_path, output=place)).stops
    assert [f.where for f in stops] == ["output.schema"]


def test_a_column_that_somebody_put_into_a_table_stops_the_run(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    plan = tiny_plan(tmp_path, output=place)
    run(plan)
    postgis.sql(town, "ALTER TABLE gradecheck.hydrants ADD done boolean DEFAULT true")
    _, what, mend = told(lambda: run(plan))
    assert "columns that no run of gradecheck made: done" in what
    assert "table of their own" in mend
    assert postgis.sql(town, "SELECT bool_and(done) FROM gradecheck.hydrants") == "t"


# -- all or nothing ---------------------------------------------------------------------------------------------


def rows(postgis: Server, town: str) -> str:
    return postgis.sql(town, "SELECT md5(string_agg(t::text, '|' ORDER BY fid)) FROM gradecheck.hydrants t")


def test_files_and_tables_stay_as_they_were_where_the_database_refuses_at_last(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    plan = tiny_plan(tmp_path, output=place)
    run(plan)
    # A constraint that is held at the commit, as replication or a lost server would fail there.
    postgis.sql(
        town,
        "CREATE FUNCTION gradecheck.no() RETURNS trigger LANGUAGE plpgsql AS"
        " $$ BEGIN RAISE EXCEPTION 'not today'; END $$;"
        "CREATE CONSTRAINT TRIGGER no AFTER INSERT ON gradecheck.hydrants DEFERRABLE INITIALLY DEFERRED"
        " FOR EACH ROW EXECUTE FUNCTION gradecheck.no()",
    )
    before, table = state(tmp_path / "out"), rows(postgis, town)
    again = tiny_plan(tmp_path, three().iloc[:2], output=place)
    _, what, _ = told(lambda: run(again))
    assert "not today" in what
    assert state(tmp_path / "out") == before
    assert {p.name for p in (tmp_path / "out").iterdir()} == set(before)
    assert rows(postgis, town) == table


def test_tables_stay_as_they_were_where_a_file_cannot_be_moved_into_place(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    plan = tiny_plan(tmp_path, output=place)
    run(plan)
    table = rows(postgis, town)
    (tmp_path / "out" / "run.json").unlink()
    (tmp_path / "out" / "run.json").mkdir()
    again = tiny_plan(tmp_path, three().iloc[:2], output=place)
    _, what, _ = told(lambda: run(again))
    assert "folder" in what
    assert rows(postgis, town) == table


def test_what_the_database_cannot_hold_fails_the_run_with_one_message(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    long = "c" * 64
    _, what, _ = told(lambda: run(tiny_plan(tmp_path, three().assign(**{long: 1}), output=place)))
    assert long in what
    assert postgis.sql(town, "SELECT count(*) FROM pg_namespace WHERE nspname = 'gradecheck'") == "0"
    assert not (tmp_path / "out").exists()


CAUSES: list[tuple[Callable[[Server, str], str], str, str]] = [
    (lambda s, t: s.address(t, "reader"), "no right", "CREATE"),
    (lambda s, t: s.address("nowhere"), "no such database", "name"),
    (lambda s, t: "postgresql://me@127.0.0.1:9/town", "cannot be reached", "server is up"),
    (lambda s, t: s.address(s.database("bald", postgis=False)), "PostGIS is not installed", "CREATE EXTENSION"),
]


@pytest.mark.parametrize(("address", "words", "mend"), CAUSES, ids=["rights", "database", "server", "postgis"])
def test_what_is_in_the_way_is_told_and_no_file_is_written(
    postgis: Server, town: str, tmp_path: Path, address: Callable[[Server, str], str], words: str, mend: str
) -> None:
    plan = tiny_plan(tmp_path, output={"postgis": address(postgis, town)})
    where, what, how = told(lambda: run(plan))
    assert where == "output.postgis"
    assert words in what
    assert mend in how
    assert not (tmp_path / "out").exists()


def test_a_schema_that_is_there_needs_no_right_to_make_one(postgis: Server, town: str, tmp_path: Path) -> None:
    postgis.sql(town, "CREATE SCHEMA gradecheck; GRANT USAGE, CREATE ON SCHEMA gradecheck TO stranger")
    run(tiny_plan(tmp_path, output={"postgis": postgis.address(town, "stranger")}))
    assert len(geo_of(postgis, town, "hydrants")) == 3


def test_a_system_without_a_code_is_refused(postgis: Server, town: str, place: dict[str, str], tmp_path: Path) -> None:
    layer = three().to_crs("+proj=tmerc +lat_0=0 +lon_0=-93 +k=0.9996 +x_0=500001 +datum=WGS84 +units=m +type=crs")
    _, what, mend = told(lambda: run(tiny_plan(tmp_path, layer, output=place)))
    assert "no code" in what
    assert "EPSG" in mend


def test_a_table_that_somebody_holds_is_waited_for_and_then_told(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = tiny_plan(tmp_path, output=place)
    run(plan)
    before = state(tmp_path / "out")
    monkeypatch.setattr(databases, "LOCK_S", 1)
    with psycopg.connect(postgis.address(town)) as db:
        db.execute("SELECT * FROM gradecheck.hydrants FOR UPDATE")
        _, what, _ = told(lambda: run(plan))
    assert "somebody else holds the table" in what
    assert state(tmp_path / "out") == before


# -- review edits -----------------------------------------------------------------------------------------------


def test_edits_in_the_table_are_carried_over_into_both(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    plan = tiny_plan(tmp_path, output=place)
    run(plan)
    edit(postgis, town, "H-1", "keep", "the owner's wish")
    again = run(plan)
    assert again.summary["counts"]["reviewed"] == 1
    for got in (
        geo_of(postgis, town, "hydrants"),
        pyogrio.read_dataframe(tmp_path / "out" / "gradecheck.gpkg", layer="hydrants"),
    ):
        at = got.set_index("hydrant_id")
        assert at.loc["H-1", ["review_action", "review_note"]].tolist() == ["keep", "the owner's wish"]
    third = run(plan)
    assert third.summary["counts"]["reviewed"] == 1
    edit(postgis, town, "H-1", None)
    assert run(plan).summary["counts"]["reviewed"] == 0


def test_edits_of_package_and_table_come_together_or_stop_the_run(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    plan = tiny_plan(tmp_path, output=place)
    run(plan)

    def in_package(who: str, action: str) -> None:
        got = pyogrio.read_dataframe(tmp_path / "out" / "gradecheck.gpkg", layer="hydrants")
        assert who in got.hydrant_id.tolist()
        db = sqlite3.connect(tmp_path / "out" / "gradecheck.gpkg")
        _add_functions(db)
        with db:
            db.execute("UPDATE hydrants SET review_action = ? WHERE hydrant_id = ?", (action, who))
        db.close()

    in_package("H-2", "measure")
    edit(postgis, town, "H-1", "keep")
    run(plan)
    got = geo_of(postgis, town, "hydrants").set_index("hydrant_id").review_action
    assert got.loc[["H-1", "H-2"]].tolist() == ["keep", "measure"]
    in_package("H-1", "on_site")
    run(plan)
    assert geo_of(postgis, town, "hydrants").set_index("hydrant_id").review_action["H-1"] == "on_site"
    in_package("H-1", "measure")
    edit(postgis, town, "H-1", "keep")
    before = state(tmp_path / "out")
    where, what, _ = told(lambda: run(plan), InputError)
    assert where == "output.postgis"
    assert "different review edits of H-1" in what
    assert state(tmp_path / "out") == before
    assert geo_of(postgis, town, "hydrants").set_index("hydrant_id").review_action["H-1"] == "keep"


def test_edits_in_the_table_outlive_another_folder_and_the_loss_of_the_run_table(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    run(tiny_plan(tmp_path, output=place))
    edit(postgis, town, "H-3", "measure")
    postgis.sql(town, "DROP TABLE gradecheck.gradecheck_run")
    run(tiny_plan(tmp_path, output=place | {"dir": "elsewhere"}))
    assert geo_of(postgis, town, "hydrants").set_index("hydrant_id").review_action["H-3"] == "measure"


def test_edits_of_hydrants_that_are_gone_wait_in_the_database_too(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    run(tiny_plan(tmp_path, output=place))
    edit(postgis, town, "H-3", "measure")
    run(tiny_plan(tmp_path, three().iloc[:2], output=place))
    assert frame_of(postgis, town, "review_kept").hydrant_id.tolist() == ["H-3"]
    run(tiny_plan(tmp_path, output=place))
    assert frame_of(postgis, town, "review_kept").empty
    assert geo_of(postgis, town, "hydrants").set_index("hydrant_id").review_action["H-3"] == "measure"


def test_an_edit_made_while_the_run_was_going_is_not_lost(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    plan = tiny_plan(tmp_path, output=place)
    run(plan)
    before = state(tmp_path / "out")

    def meanwhile(what: str, done: int, of: int, *blocks: int) -> None:
        edit(postgis, town, "H-2", "measure")

    _, what, mend = told(lambda: run(plan, progress=meanwhile))
    assert "did not carry over: H-2" in what
    assert "run the plan again" in mend
    assert state(tmp_path / "out") == before
    assert run(plan).summary["counts"]["reviewed"] == 1


def test_writing_without_reading_the_former_edits_is_refused(
    postgis: Server, town: str, place: dict[str, str], tmp_path: Path
) -> None:
    plan = tiny_plan(tmp_path, output=place)
    result = run(plan)
    assert {path.name for path in write(result, tmp_path / "out")} >= FILES
    edit(postgis, town, "H-2", "measure")
    _, what, _ = told(lambda: write(compute(plan), tmp_path / "out"))
    assert "did not carry over: H-2" in what


def test_arrow_types_have_a_place_in_postgresql() -> None:
    assert _kind(pa.timestamp("us", "UTC")) == "timestamp with time zone"
    assert _kind(pa.timestamp("ms")) == "timestamp without time zone"
    assert _kind(pa.large_string()) == "text"
