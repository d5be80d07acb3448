"""Statistics of stable ground on real pairs of elevation models, against open libraries for such differences.

Both pairs are sampled here with rasterio, pyproj and SciPy on a regular set of points. Judges: SciPy always; geoutils,
scikit-gstat and xdem where they are installed (they are no dependency, and are skipped with a reason).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio
from pyproj import Transformer
from scipy import ndimage, stats
from scipy.spatial.distance import cdist

from gradecheck.stable import stable_ground
from gradecheck.variogram import Model, Pairs, variogram

DATA = Path(__file__).resolve().parents[2] / ".." / "shared" / "data"
WHY = "not installed: a peer to compare with, no dependency"


@dataclass(frozen=True)
class Place:
    """Two models of one place, and a regular set of points over it in a plane, metres."""

    before: Path
    after: Path
    crs: int
    box: tuple[float, float, float, float]
    step: float

    def grid(self) -> tuple[np.ndarray, np.ndarray]:
        left, bottom, right, top = self.box
        return np.meshgrid(np.arange(left, right, self.step), np.arange(top, bottom, -self.step))

    def change(self) -> np.ndarray:
        """After less before on the grid, NaN where either is missing."""
        x, y = self.grid()
        return heights(self.after, x, y, self.crs) - heights(self.before, x, y, self.crs)


GIRONDE = DATA / "dem_pair_gironde_apache"
GRENOBLE = DATA / "dem_copernicus_grenoble"
PLACES = {
    "estuary": Place(
        GIRONDE / "gironde_ref.tif", GIRONDE / "gironde_sec.tif", 32630, (601e3, 4.9915e6, 684e3, 5.0745e6), 800
    ),
    "mountains": Place(
        GRENOBLE / "grenoble_cop.tif", GRENOBLE / "grenoble_cop_bs.tif", 32631, (665e3, 5.005e6, 725e3, 5.065e6), 1600
    ),
}


def heights(path: Path, x: np.ndarray, y: np.ndarray, crs: int) -> np.ndarray:
    """SciPy's linear interpolation between cell centres."""
    with rasterio.open(path) as data:
        array, transform, own = data.read(1).astype(float), data.transform, data.crs.to_epsg()
        array[array == data.nodata] = np.nan
    x, y = Transformer.from_crs(crs, own, always_xy=True).transform(x, y)
    column, row = (x - transform.c) / transform.a - 0.5, (y - transform.f) / transform.e - 0.5
    return ndimage.map_coordinates(array, [row, column], order=1, mode="constant", cval=np.nan)


@dataclass(frozen=True)
class Sample:
    x: np.ndarray
    y: np.ndarray
    dz: np.ndarray

    def without_outliers(self) -> Sample:
        """As the package does before it makes pairs, by SciPy's MAD: 3.5 NMAD from the median."""
        off = np.abs(self.dz - np.median(self.dz))
        keep = off <= 3.5 * 1.4826 * stats.median_abs_deviation(self.dz)
        return Sample(self.x[keep], self.y[keep], self.dz[keep])

    @property
    def xy(self) -> np.ndarray:
        return np.column_stack([self.x, self.y])


@pytest.fixture(scope="module", params=PLACES)
def sample(request: pytest.FixtureRequest) -> Sample:
    place = PLACES[request.param]
    if not (place.before.exists() and place.after.exists()):
        pytest.skip("open pair not here")
    (x, y), dz = place.grid(), place.change()
    there = np.isfinite(dz)
    # Fewer than 1,500: the package then draws none, and the peers see the same pairs.
    assert 500 < there.sum() < 1500
    return Sample(x[there], y[there], dz[there])


def test_median_spread_and_quantiles_are_scipys(sample: Sample) -> None:
    summary = stable_ground(sample.x, sample.y, sample.dz).summary
    assert summary.median == pytest.approx(stats.scoreatpercentile(sample.dz, 50))
    # SciPy's factor is 1 / ndtri(0.75) = 1.482602; the published one 1.4826.
    assert summary.nmad == pytest.approx(stats.median_abs_deviation(sample.dz, scale="normal"), rel=2e-6)
    assert [summary.p05, summary.p95] == pytest.approx(
        [stats.scoreatpercentile(sample.dz, 5), stats.scoreatpercentile(sample.dz, 95)]
    )


def test_the_plane_is_near_that_of_the_median_of_many_pairs_slopes(sample: Sample) -> None:
    """Another robust plane: backfitted Theil-Sen slopes (SciPy), one axis after the other."""
    tilt = stable_ground(sample.x, sample.y, sample.dz).tilt
    east = north = 0.0
    for _ in range(8):
        east = stats.theilslopes(sample.dz - north * sample.y, sample.x)[0]
        north = stats.theilslopes(sample.dz - east * sample.x, sample.y)[0]
    within = 2 * tilt.standard_error  # two estimators of one plane differ by less than either's error
    assert abs(tilt.east - east) * np.ptp(sample.x) < within
    assert abs(tilt.north - north) * np.ptp(sample.y) < within


def test_median_and_nmad_are_geoutils(sample: Sample) -> None:
    geoutils = pytest.importorskip("geoutils", reason=f"geoutils {WHY}")
    summary = stable_ground(sample.x, sample.y, sample.dz).summary
    assert summary.nmad == pytest.approx(float(geoutils.stats.nmad(sample.dz)), rel=1e-12)
    assert summary.rmse == pytest.approx(float(geoutils.stats.rmse(sample.dz)), rel=1e-12)


def test_dowds_variogram_is_scikit_gstats(sample: Sample) -> None:
    """The same to rounding, lag by lag, once the outliers that the package sets aside are left out for the peer too;
    lags of fewer than 30 pairs are dropped here and kept there."""
    skgstat = pytest.importorskip("skgstat", reason=f"scikit-gstat {WHY}")
    found = variogram(Pairs(sample.x, sample.y), sample.dz)
    edges, clean = Pairs(sample.x, sample.y).edges, sample.without_outliers()
    peer = skgstat.Variogram(
        clean.xy, clean.dz, estimator="dowd", bin_func=list(edges), maxlag=edges[-1], fit_method=None
    )
    enough = peer.bin_count >= 30
    assert enough.sum() >= 8
    assert found.points == len(clean.dz)
    assert found.pairs.tolist() == peer.bin_count[enough].tolist()
    assert found.gamma == pytest.approx(peer.experimental[enough], rel=1e-9)


def test_the_model_fits_dowds_values_about_as_well_as_scikit_gstats(sample: Sample) -> None:
    """Not the same numbers: there one spherical range by bounded least squares, equal weights, and centres of lags for
    mean distances; here Cressie's weights and up to two ranges. At the measured lags the two agree to a tenth of the
    sill."""
    skgstat = pytest.importorskip("skgstat", reason=f"scikit-gstat {WHY}")
    found = variogram(Pairs(sample.x, sample.y), sample.dz)
    edges, clean = Pairs(sample.x, sample.y).edges, sample.without_outliers()
    peer = skgstat.Variogram(
        clean.xy, clean.dz, estimator="dowd", bin_func=list(edges), maxlag=edges[-1], model="spherical", use_nugget=True
    )
    off = found.model.gamma(found.lag) - peer.fitted_model(found.lag)
    assert np.sqrt(np.mean(off**2)) < 0.1 * found.gamma.max()


def test_the_sum_of_covariances_is_xdems(sample: Sample) -> None:
    """xdem counts effective samples of the mean, n² s² / sum_ij C_ij, exactly; the covariances are those that the
    standard error of the median is made of. White noise is given to it as a range below any distance."""
    spatialstats = pytest.importorskip("xdem.spatialstats", reason=f"xdem {WHY}")
    model = Model(0.3, (0.5, 0.2), (4_000.0, 30_000.0))
    table = pd.DataFrame({"model": ["spherical"] * 3, "range": [1e-3, 4e3, 3e4], "psill": [0.3, 0.5, 0.2]})
    n = len(sample.x)
    peer = spatialstats.neff_exact(sample.xy, np.ones(n), table)
    total = model.covariance(cdist(sample.xy, sample.xy)).sum() + n * model.nugget
    assert n * n * model.sill / total == pytest.approx(peer, rel=1e-9)


@pytest.mark.parametrize("place", PLACES)
def test_xdems_own_drawing_of_a_finer_grid_sees_the_same_variogram(place: str) -> None:
    """xdem draws its own points of a grid twice as fine, without the outliers that the package sets aside, and names
    lags by their upper ends: values of the same lags scatter about ours, the middle one is within a tenth.

    With the outliers Dowd's values are higher, in the mountains (12 points of 100 beyond 3.5 NMAD: steep ground) up to
    twice as high; the package's sill is near NMAD², as the density at the median asks. The grid is square, since
    version 0.2.3 mixes up the coordinates of others.
    """
    spatialstats = pytest.importorskip("xdem.spatialstats", reason=f"xdem {WHY}")
    here = PLACES[place]
    if not (here.before.exists() and here.after.exists()):
        pytest.skip("open pair not here")
    (x, y), dz = here.grid(), here.change()
    there = np.isfinite(dz)
    pairs = Pairs(x[there], y[there])
    found = variogram(pairs, dz[there])
    finer = Place(here.before, here.after, here.crs, here.box, here.step / 2).change()
    assert finer.shape[0] == finer.shape[1]
    off = np.abs(finer - np.nanmedian(finer))
    finer[off > 3.5 * 1.4826 * np.nanmedian(off)] = np.nan
    peer = spatialstats.sample_empirical_variogram(
        finer,
        gsd=here.step / 2,
        subsample=6000,
        subsample_method="pdist_point",
        random_state=42,
        estimator="dowd",
        bin_func=list(pairs.edges),
    )
    peer = peer[np.isfinite(peer["exp"]) & (peer["count"] >= 1000)]
    lag = np.searchsorted(pairs.edges, found.lag)
    ratio = peer["exp"].reindex(lag) / found.gamma
    assert ratio.notna().sum() >= 8
    assert ratio.median() == pytest.approx(1, abs=0.1)
