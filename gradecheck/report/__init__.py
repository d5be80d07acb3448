"""`report.html`: one file for the engineer and the manager, opened without a network.

`page` puts the parts together, each a template with what it shows; `picture` and `longsections` look at the ground
again where the map and the sections need it; `rows` is what the page's script reads.
"""
