"""Roads as files describe them: alignments in plan, profiles along them, triangles; geometry only, no files."""
