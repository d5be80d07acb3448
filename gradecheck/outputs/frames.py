"""The tables of an assessment as data frames, for those who go on in Python."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from gradecheck.assessment import Assessment
from gradecheck.outputs import columns

if TYPE_CHECKING:
    import pandas as pd
    from geopandas import GeoDataFrame


def geo_frame(table: Any, a: Assessment) -> GeoDataFrame:
    """A layer in the reference system of the hydrants."""
    import geopandas
    import shapely

    points = shapely.from_wkb(table.column(columns.GEOMETRY).to_numpy())
    return geopandas.GeoDataFrame(
        frame(table.drop_columns([columns.GEOMETRY])), geometry=points, crs=a.inputs.hydrants.crs
    )


def frame(table: Any) -> pd.DataFrame:
    """Integers and booleans with gaps stay what they are."""
    import pandas as pd
    import pyarrow as pa

    kinds = {pa.int64(): pd.Int64Dtype(), pa.int32(): pd.Int32Dtype(), pa.bool_(): pd.BooleanDtype()}
    found: pd.DataFrame = table.to_pandas(types_mapper=kinds.get)
    return found
