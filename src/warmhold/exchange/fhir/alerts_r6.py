"""What the watch named, as alerts of a device in the shape of the R6 draft of FHIR.

DRAFT: the resource is in ballot and is neither in R4 nor in R5; its elements moved between ballots.
Nothing else of warmhold knows its shape, and nothing writes it unless it was asked for. Its
references lead into the R4 Bundle of the same trip, so the two belong together.

Source: hl7.org/fhir/6.0.0-ballot3, device alert mappings (read in part, see
tests/reference/codes.toml).
"""

from __future__ import annotations

import json

from warmhold.exchange.fhir import names
from warmhold.exchange.fhir.bundle import Ids, Resource
from warmhold.exchange.outgoing import STRUCK, Outgoing, tidy

DRAFT = "FHIR R6 is a draft: the shape of alerts may change. It is not for a live system."


def alerts_of(out: Outgoing) -> Resource:
    """Return a Bundle of the alerts of a trip; see the module's text for what it is not."""
    return {
        "resourceType": "Bundle",
        "id": Ids(out).id("Bundle", "alerts"),
        "identifier": {
            "system": names.FINGERPRINT,
            "value": f"{out.head[1]} {out.trip}",
        },
        "type": "collection",
        "entry": [
            {"fullUrl": f"urn:uuid:{alert['id']}", "resource": alert} for alert in _alerts(out)
        ],
    }


def _alerts(out: Outgoing) -> list[Resource]:
    ids = Ids(out)
    found: list[Resource] = []
    for one in out.others:
        if one.kind != "noticed":
            continue
        body = json.loads(one.detail)
        status = "completed" if out.handed_over else "in-progress"
        moment = out.local(one.at).isoformat(timespec="microseconds")
        found.append(
            {
                "resourceType": "DeviceAlert",
                "id": ids.id("DeviceAlert", one.entry),
                "identifier": [{"system": names.ENTRY, "value": f"{one.entry}"}],
                "status": "entered-in-error" if one.status == STRUCK else status,
                "priority": {
                    "coding": [{"system": names.PRIORITY, "code": body["priority"]}],
                    "text": "Named by a watch that supports decisions; not a medical device",
                },
                "subject": ids.refer("Patient"),
                "condition": {
                    "code": {
                        "coding": [{"system": names.NOTICED, "code": "-".join(one.what.split())}],
                        "text": tidy(f"{body['title']}. {body['evidence']}".strip()),
                    },
                    "presence": True,
                    "timing": {"start": moment},
                },
                "label": tidy(body["title"]),
            }
        )
    return found
