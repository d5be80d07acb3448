"""Readers of files other than layers and rasters: catalogues (tables); later, design files."""
