"""Addresses of data: what they lead to, how GDAL calls them, how people are shown them."""

from __future__ import annotations

import pytest

from gradecheck import addresses, locations


def test_gdals_names_with_options_are_shown_without_what_is_secret() -> None:
    name = "/vsicurl?pc_url_signing=yes&url=https%3A%2F%2Fexample.org%2Fdem.tif%3Fsig%3D1"
    assert locations.url_of(name) == "https://example.org/dem.tif?sig=1"
    assert locations.shown(name) == "/vsicurl/https://example.org/dem.tif"
    assert locations.address_of(name) == "https://example.org/dem.tif"
    assert locations.address_of("/vsihdfs/a/dem.tif") == "/vsihdfs/a/dem.tif"


def test_a_path_leads_to_no_other_machine() -> None:
    assert not addresses.is_remote("data/hydrants.gpkg")


def test_a_port_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="check its host and port"):
        addresses.check("https://example.org:port/collections/hydrants")
