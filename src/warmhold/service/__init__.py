"""One service for many laptops: their records in one database, SQLite or PostgreSQL.

    prepare("postgresql://USER@HOST/DATABASE")
    with Service.open("postgresql://USER@HOST/DATABASE") as service:
        sent = sync(service, folder)
        for device, found in verify(service): ...

A laptop sends what the service has not acknowledged. Entries are never changed, so the union of
all entries is the truth, and there is nothing to merge.
"""

from warmhold.service.address import Address, address_of, hidden
from warmhold.service.database import NEWEST, Service, Unreachable, prepare
from warmhold.service.reading import (
    Device,
    Pair,
    Trip,
    devices,
    export,
    pairs,
    transfers,
    trips,
    verify,
)
from warmhold.service.sending import Parted, Sent, sync

__all__ = [
    "NEWEST",
    "Address",
    "Device",
    "Pair",
    "Parted",
    "Sent",
    "Service",
    "Trip",
    "Unreachable",
    "address_of",
    "devices",
    "export",
    "hidden",
    "pairs",
    "prepare",
    "sync",
    "transfers",
    "trips",
    "verify",
]
