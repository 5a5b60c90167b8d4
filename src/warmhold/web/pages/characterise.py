"""A unit's own numbers from its kept logs: a fit as a job, and a new version that is offered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from warmhold.bench.fit import Observed
from warmhold.model import FaultyInput
from warmhold.record.whole_files import write_text
from warmhold.web import bench_tests
from warmhold.web.access import needs, user_of
from warmhold.web.characterising import (
    CHARGE_SPREAD,
    Offer,
    fitted_offer,
    keep_offer,
    offer_of,
    offers_of,
)
from warmhold.web.fleet import Fleet, FleetUnit, fleet_of
from warmhold.web.jobs import Made, Progress
from warmhold.web.own_files import faults_of, mark_of, name_problem
from warmhold.web.pages.bench import tests_of
from warmhold.web.pages.units import UNITS
from warmhold.web.posted import Posted, posted
from warmhold.web.quantities import number_in
from warmhold.web.rendering import render
from warmhold.web.service import NotSaved

if TYPE_CHECKING:
    from warmhold.web.service import Service

ENDED = {"": None, "gave out": True, "stopped": False}
MOST_SHOWN = 20
LEAST_CHARGE = 5.0  # per cent of full


@dataclass
class Again:
    """A form that has to be shown once more."""

    form_id: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    chosen: tuple[str, ...] = ()
    faults: dict[str, str] = field(default_factory=dict)
    trouble: NotSaved | None = None


def routes(service: Service) -> list[Route]:
    """Return the routes of the fit."""

    def show(request: Request) -> Response:
        _, unit = _of(request)
        return _form(request, unit, Again())

    def fit(request: Request) -> Response:
        fleet, unit = _of(request)
        form = posted(request)
        if offer_of(service.folder, form.form_id) is not None:
            return RedirectResponse(f"/fleet/{unit.key}/version/{form.form_id}", 303)
        again = Again(form.form_id, dict(form), form.all("log"))
        text = service.library.text("units", unit.key)
        profile = unit.profile
        if text is None or profile is None:
            again.faults[""] = "The unit's profile has faults: mend it first."
            return _form(request, unit, again, 422)
        observed = _observed(unit, form, again)
        if again.faults:
            return _form(request, unit, again, 422)
        limit = fleet.rounds.limits.battery_health_low_percent.value

        def work(tell: Progress) -> str:
            offer, page = fitted_offer(observed, profile, unit.key, text, limit, tell)
            try:
                keep_offer(service.folder, form.form_id, offer, page)
            except OSError as error:
                raise _not_written(error) from error
            return f"/fleet/{unit.key}/version/{form.form_id}"

        made = Made(
            "fit", f"its page is at /fleet/{unit.key}/version/{form.form_id}",
            f"/fleet/{unit.key}/characterise", "Back to the logs",
        )  # fmt: skip
        job = service.jobs.start(form.form_id, f"Numbers of {unit.name}", work, made)
        return RedirectResponse(f"/plan/working/{job.key}", 303)

    def version(request: Request) -> Response:
        _, unit = _of(request)
        return _version(request, unit, _offer(request, unit), Again())

    def use(request: Request) -> Response:
        _, unit = _of(request)
        offer = _offer(request, unit)
        form = posted(request)
        again = Again(form.form_id, dict(form))
        known = service.entry_of_form("", form.form_id)
        if known is not None:
            return RedirectResponse(f"/fleet/{known.body.get('unit')}?saved={known.seq}", 303)
        if not offer.toml:
            raise HTTPException(404)
        name = unit.key if unit.own else form.text("name", 100)
        old = service.library.text("units", name)
        if unit.own and (old is None or mark_of(old) != offer.base):
            again.faults["name"] = (
                "The profile was changed since this fit began from it: fit the logs again."
            )
        elif not unit.own:
            problem = name_problem(UNITS, name)
            if not problem and old is not None:
                problem = f"There is a unit {name} already: choose another name."
            if problem:
                again.faults["name"] = problem
        faults = faults_of(UNITS, offer.toml)
        if faults:
            again.faults["name"] = f"This version is not sound and cannot be used: {faults[0]}."
        if again.faults:
            return _version(request, unit, offer, again, 422)
        try:
            seq = _take(request, form, name, old, offer)
        except NotSaved as error:
            again.trouble = error
            return _version(request, unit, offer, again, 503)
        return RedirectResponse(f"/fleet/{name}?saved={seq}", 303)

    # --- inside ---------------------------------------------------------------------------------

    def _of(request: Request) -> tuple[Fleet, FleetUnit]:
        fleet = fleet_of(service)
        unit = fleet.unit(request.path_params["unit"])
        if unit is None:
            raise HTTPException(404)
        return fleet, unit

    def _offer(request: Request, unit: FleetUnit) -> Offer:
        offer = offer_of(service.folder, request.path_params["id"])
        if offer is None or offer.unit != unit.key:
            raise HTTPException(404)
        return offer

    def _take(request: Request, form: Posted, name: str, old: str | None, offer: Offer) -> int:
        """Write the version, the old one beside it, and the entry; all of it or nothing.

        Raises ``NotSaved``.
        """
        place = service.folder / "units"
        path = place / f"{name}.toml"
        now = datetime.now(UTC)
        user = user_of(request)
        service.record  # noqa: B018  says now when it is not open
        try:
            if old is not None:
                write_text(place / "before" / f"{name}-{now:%Y%m%dT%H%M%SZ}.toml", old)
            write_text(path, offer.toml)
        except OSError as error:
            raise _not_written(error) from error
        body = {"unit": name, "toml": offer.toml, "from": "\n".join(offer.logs)}
        try:
            return service.write(user, form.form_id, "", "profile", body).seq
        except NotSaved:
            if old is None:
                path.unlink(missing_ok=True)
            else:
                write_text(path, old)
            raise

    def _logs(unit: FleetUnit) -> dict[str, bench_tests.Entered]:
        """Return the logs of a unit that are on record and kept, the newest first."""
        return {
            one.key: one
            for one in reversed(tests_of(service, unit.key))
            if bench_tests.kept_log(service.folder, one.key) is not None
        }

    def _observed(unit: FleetUnit, form: Posted, again: Again) -> list[Observed]:
        logs = _logs(unit)
        out = []
        now = datetime.now(UTC)
        for key in dict.fromkeys(again.chosen):
            one, path = logs.get(key), bench_tests.kept_log(service.folder, key)
            if one is None or path is None:
                again.faults[key] = "That log is not one of this unit."
                continue
            text = form.text(f"charged:{key}", 10) or "100"
            charged = number_in(text)
            if charged is None or not LEAST_CHARGE <= charged <= 100.0:
                again.faults[key] = f"{one.log}: charged {LEAST_CHARGE:g} to 100 %."
                continue
            try:
                mapped = bench_tests.mapping_of(service.folder, path, unit.key, unit.name)
                if mapped is None:
                    again.faults[key] = f"{one.log}: its mapping is no longer kept."
                    continue
                reading = bench_tests.read_kept(path, mapped, unit.name, one.log, now)
            except FaultyInput as error:
                again.faults[key] = f"{one.log}: {error}"
                continue
            out.append(
                Observed(
                    reading.log,
                    charge=charged / 100.0,
                    charge_spread=CHARGE_SPREAD,
                    gave_out=ENDED.get(form.text(f"ended:{key}", 20)),
                )
            )
        if not again.chosen:
            again.faults[""] = "Tick at least one log."
        return out

    def _form(request: Request, unit: FleetUnit, again: Again, status: int = 200) -> Response:
        return render(
            request, "characterise_form.html", status, unit=unit, again=again,
            logs=list(_logs(unit).values()), offers=[
                (key, offer, datetime.fromisoformat(offer.made))
                for key, offer in offers_of(service.folder, unit.key)[:MOST_SHOWN]
            ],
        )  # fmt: skip

    def _version(
        request: Request, unit: FleetUnit, offer: Offer, again: Again, status: int = 200
    ) -> Response:
        text = service.library.text("units", unit.key)
        return render(
            request, "characterise_version.html", status, unit=unit, offer=offer, again=again,
            key=request.path_params["id"], taken=text is not None and text == offer.toml,
            stale=unit.own and (text is None or mark_of(text) != offer.base),
            made=datetime.fromisoformat(offer.made),
        )  # fmt: skip

    lead = needs("lead")
    return [
        Route("/fleet/{unit}/characterise", lead(show), methods=["GET"]),
        Route("/fleet/{unit}/characterise", lead(fit), methods=["POST"]),
        Route("/fleet/{unit}/version/{id}", lead(version), methods=["GET"]),
        Route("/fleet/{unit}/version/{id}", lead(use), methods=["POST"]),
    ]


def _not_written(error: OSError) -> NotSaved:
    why = error.strerror or str(error)
    return NotSaved(f"The folder could not be written: {why}.", "Look after the disk, try again.")
