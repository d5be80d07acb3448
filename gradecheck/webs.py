"""One answer of a web server, bounded in time, its failures in words."""

from __future__ import annotations

import base64
import netrc
import os
import time
from http.client import HTTPException
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

from gradecheck.addresses import without_secrets
from gradecheck.errors import Finding, InputError

ANSWER_S = 30.0
"""Seconds that a server may be silent."""
WHOLE_S = 180.0
"""Seconds that one answer may take in all."""
_PART = 1 << 16


def get(address: str, first: str, shown: str, key: str, accept: str) -> bytes:
    """The body of an answer.

    first: the address that the plan names, whose server alone gets the user's password or header; shown, key: how the
    plan calls it, and where. Raises InputError.
    """
    if urlsplit(address).scheme not in ("http", "https"):
        raise _finding(key, shown, f"leads to {short(address)}, which is no web address", "tell who runs the service")
    request = Request(address, headers={"Accept": accept, "User-Agent": "gradecheck"})
    if urlsplit(address)[:2] == urlsplit(first)[:2]:
        for name, value in _own_headers(address):
            request.add_unredirected_header(name, value)
    until = time.monotonic() + WHOLE_S
    try:
        parts = []
        with urlopen(request, timeout=ANSWER_S) as answer:
            while part := answer.read1(_PART):
                parts.append(part)
                if time.monotonic() > until:
                    raise TimeoutError
            length = answer.headers.get("Content-Length")
        body = b"".join(parts)
        if length is not None and length.isdigit() and len(body) < int(length):
            raise ConnectionError("the answer broke off")
    except HTTPError as error:
        may = "it wants a password or key: ~/.netrc, or a header in GDAL_HTTP_HEADERS"
        mend = may if error.code in (401, 403) else "check the address, or try again later"
        raise _finding(key, shown, f"answers {error.code} {error.reason} to {_asked(address)}", mend) from None
    except TimeoutError:
        raise _finding(key, shown, f"took too long to answer {_asked(address)}", "try again later") from None
    except (URLError, HTTPException, OSError) as error:
        if isinstance(getattr(error, "reason", None), TimeoutError):
            raise _finding(key, shown, f"took too long to answer {_asked(address)}", "try again later") from None
        what = f"cannot be reached, or broke off, at {_asked(address)} ({short(getattr(error, 'reason', error))})"
        raise _finding(key, shown, what, "check the address and the network") from None
    return body


def _asked(address: str) -> str:
    at = urlsplit(address)
    return short(f"{at.path or '/'}{'?' + at.query if at.query else ''}")


def _finding(key: str, shown: str, what: str, mend: str) -> InputError:
    return InputError(Finding(key, f"{shown} {what}", mend))


def short(text: object) -> str:
    """The beginning of a text for a message, with nobody's secret in it."""
    return without_secrets(str(text).strip().split("\n")[0])[:200]


def _own_headers(address: str) -> list[tuple[str, str]]:
    """What the user keeps for a server outside of the plan: headers as GDAL takes them, else ~/.netrc."""
    given = os.environ.get("GDAL_HTTP_HEADERS", "")
    headers = [
        (n.strip(), v.strip()) for n, _, v in (line.partition(":") for line in given.replace("\r", "").split("\n")) if v
    ]
    if headers:
        return headers
    try:
        found = netrc.netrc().authenticators(urlsplit(address).hostname or "")
    except (OSError, netrc.NetrcParseError):
        return []
    if found is None:
        return []
    return [("Authorization", "Basic " + base64.b64encode(f"{found[0]}:{found[2]}".encode()).decode("ascii"))]
