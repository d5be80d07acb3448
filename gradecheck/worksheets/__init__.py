"""Sheets for the crew, notices for the fire department, and the form that measurements come back in.

`sheets.book` turns an assessment into frozen sheets, in the order of a walk (`walk`), with every word and number on
them (`words`, `picks`); `typeface` says what can be shown, `drawing`, `pages` and
`lists` lay them on paper, `files` writes. Only `files` knows paths.
"""
