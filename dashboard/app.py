"""The web application: routes, templates and protection put together in one place."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from importlib.metadata import version
from itertools import groupby
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from litestar import Litestar
from litestar.connection import ASGIConnection
from litestar.di import Provide
from litestar.openapi.config import OpenAPIConfig
from litestar.plugins.jinja import JinjaTemplateEngine
from litestar.template.config import TemplateConfig
from litestar.types import ASGIApp

from collector.fault_words import fault_words
from collector.readings import dating_error_ms
from dashboard import navigation, texts
from dashboard.aids_api import aids_router
from dashboard.alarms_api import alarms_router
from dashboard.alarms_pages import alarm_router
from dashboard.alarms_words import AlarmsNow, count_words, not_known, priority_word
from dashboard.api import api_router
from dashboard.assets import style_ids, url
from dashboard.audit.pages import audit_router
from dashboard.audit.rows import Row
from dashboard.basin_page import basin_router
from dashboard.deeds_api import deeds_router
from dashboard.degrees import difference, fahrenheit_shown, shown
from dashboard.described import Described
from dashboard.devices_api import devices_router
from dashboard.door import Door, Doorkeeper, signed_in
from dashboard.evidence.pages import evidence_router
from dashboard.form_pages import form_router
from dashboard.guard import KnownHosts, protect
from dashboard.health_api import health_router
from dashboard.help_pages import help_router
from dashboard.lanes import rehearsal_words
from dashboard.lookbacks.pages import lookback_router
from dashboard.metrics.pages import metrics_router
from dashboard.pages import page_router
from dashboard.path.release_pages import release_router
from dashboard.path.scan_pages import scan_router
from dashboard.path.start_pages import start_router
from dashboard.period.pages import period_router
from dashboard.problems import answer_problem
from dashboard.readiness_api import readiness_router
from dashboard.record_pages import record_router
from dashboard.recorded_words import finding_words, kind_word, verdict_word
from dashboard.rehearsal_api import rehearsal_router
from dashboard.review_api import review_router
from dashboard.sensors.pages import sensor_router
from dashboard.shapes import ClosureBody
from dashboard.shift_pages import shift_router
from dashboard.sign_ins_pages import sign_in_record_router
from dashboard.signin import signin_router
from dashboard.signin_pages import signin_page_router
from dashboard.site import Site
from dashboard.site_pages import site_router
from dashboard.statistics.pages import statistics_router
from dashboard.things_api import things_router
from dashboard.today.page import today_router
from dashboard.trend_pages import trend_router
from dashboard.unassigned_pages import unassigned_router
from dashboard.when import SiteTime
from dashboard.words import edge_words, proven_words, quiet, requirement_words
from soak.quantity import in_words
from soak.rehearsal import Rehearsal

LOCAL_NAMES = ("127.0.0.1", "localhost", "::1")
_DESCRIPTION = (
    "Soaks watched, proven and kept. A monitoring aid: the product's label, the device maker's instructions and local "
    "rules decide. Units are in the names: `_ms` milliseconds, `_mc` millidegrees Celsius, `_ml` millilitres. Looking "
    "may be open or take a session (POST /api/sign-in); recording, people, encounters and papers always take one."
)


def build_app(
    data_dir: Path,
    *,
    rehearsal: Rehearsal | None = None,
    allowed_hosts: Iterable[str] = LOCAL_NAMES,
    when: SiteTime | None = None,
    require_sign_in: bool = False,
    metrics_from: Iterable[str] = (),
    real_now_ms: Callable[[], int] | None = None,
) -> Litestar:
    """Put the application together; `app.state.live` is its live stream, for whoever must end it, `app.state.keeper`
    tells pages of problems who is signed in.

    Args:
        data_dir: The collector's data folder; without a database yet, pages say so until there is one.
        rehearsal: The clock of a rehearsal; every page then says that it is one.
        allowed_hosts: Names under which this server answers; addresses in numbers are always answered.
        when: Local time; as this machine is set by default.
        require_sign_in: Looking, too, takes somebody who is signed in.
        metrics_from: Addresses and networks from which /metrics is answered without signing in.
        real_now_ms: The real clock, by which sessions end; the machine's by default.
    """
    site = Site(data_dir, rehearsal, when, real_now_ms, closed=require_sign_in, metrics_from=metrics_from)
    names = tuple(allowed_hosts)

    def known_hosts(app: ASGIApp) -> ASGIApp:
        return KnownHosts(app, names)

    keeper = Doorkeeper(site.desks, site.real_now_ms)

    def door(app: ASGIApp) -> ASGIApp:
        return Door(app, keeper, closed=site.closed, metrics_from=site.metrics_from)

    app = Litestar(
        route_handlers=[
            today_router(),
            page_router(),
            basin_router(),
            trend_router(),
            api_router(),
            readiness_router(),
            alarm_router(),
            alarms_router(),
            audit_router(),
            evidence_router(),
            period_router(),
            site_router(),
            metrics_router(),
            health_router(),
            unassigned_router(),
            record_router(),
            sensor_router(),
            shift_router(),
            lookback_router(),
            signin_router(),
            deeds_router(),
            things_router(),
            review_router(),
            aids_router(),
            devices_router(),
            signin_page_router(),
            sign_in_record_router(),
            form_router(),
            help_router(),
            statistics_router(),
            start_router(),
            scan_router(),
            release_router(),
            *([rehearsal_router()] if rehearsal else []),
        ],
        dependencies={"site": Provide(lambda: site, sync_to_thread=False)},
        template_config=TemplateConfig(instance=JinjaTemplateEngine.from_environment(_templates(site))),
        openapi_config=OpenAPIConfig(
            title="Soakledger",
            version=version("soakledger"),
            description=_DESCRIPTION,
            path="/schema",
            render_plugins=[Described(path="/openapi.json")],
        ),
        exception_handlers={Exception: answer_problem},
        middleware=[known_hosts, door],
        before_send=[protect],
        lifespan=[site.live.running, site.today.running],
        logging_config=None,  # only a command configures logging
    )
    app.state.live = site.live
    app.state.keeper = keeper
    return app


def _templates(site: Site) -> Environment:
    when = site.when
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    environment.policies["ext.i18n.trimmed"] = True
    environment.install_gettext_callables(texts._, texts.many, newstyle=True)  # type: ignore[attr-defined]

    def by_day(closures: Iterable[ClosureBody]) -> list[tuple[str, list[ClosureBody]]]:
        return [(day, list(rows)) for day, rows in groupby(closures, lambda each: when.day(each.closed_at_ms))]

    def audit_days(rows: Iterable[Row]) -> list[tuple[str, list[Row]]]:
        return [(day, list(of)) for day, of in groupby(rows, lambda each: when.day(each.closure.closed_at_ms))]

    def proven(closure: ClosureBody) -> str:
        return proven_words(closure.credited_ms, closure.requirement.contact_ms if closure.requirement else None)

    def coldest(closure: ClosureBody) -> str:
        if closure.coldest_mc is not None:
            return shown(closure.coldest_mc)
        return texts._("not judged") if closure.requirement is None else texts._("no value")

    def groupby_run(items: Iterable[object], attribute: str) -> list[tuple[str, list[object]]]:
        return [(key, list(run)) for key, run in groupby(items, lambda each: str(getattr(each, attribute)))]

    def alarms_shown(connection: ASGIConnection[Any, Any, Any, Any]) -> AlarmsNow | None:
        """What stands, for whoever may look; none for others. Before the first look nothing is known to stand."""
        if site.closed and signed_in(connection) is None:
            return None
        return site.live.alarms.now or not_known()

    environment.filters["by_day"] = by_day
    environment.filters["translated"] = texts._
    environment.filters["audit_days"] = audit_days
    environment.filters["groupby_run"] = groupby_run
    environment.globals.update(
        asset=url,
        language=texts.language,
        texts_of_scripts=texts.for_scripts,
        style_ids=style_ids,
        when=when,
        rehearsal=rehearsal_words(site.rehearsal),
        signed_in=signed_in,
        collector_said=site.collecting.now,
        alarms_shown=alarms_shown,
        priority_word=priority_word,
        count_words=count_words,
        navigation=navigation,
        speed=site.rehearsal.speed if site.rehearsal else 1,
        celsius=shown,
        difference=difference,
        fahrenheit_shown=fahrenheit_shown,
        coldest=coldest,
        in_words=in_words,
        dating_error_ms=dating_error_ms,
        edge_words=edge_words,
        finding_words=finding_words,
        kind_word=kind_word,
        verdict_word=verdict_word,
        fault_words=fault_words,
        requirement_words=requirement_words,
        proven=proven,
        quiet=quiet,
    )
    return environment
