"""What a run writes: the GeoPackage, the order as CSV and workbook, run.json, the summary in the terminal."""
