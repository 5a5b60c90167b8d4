"""The HTTP interface under /api/v1: JSON for a service's own dashboards, with tokens by role.

``operations`` lists every route once; what a request may hold, what an answer looks like and the
OpenAPI document all come from the same models (`schemas`). ``door`` stands between a request and an
operation: it takes a token and nothing else, no cookie and no session of the pages.
"""
