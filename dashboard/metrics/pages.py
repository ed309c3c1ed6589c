"""`/metrics`: for a monitoring of named addresses, and for whoever is signed in; the door sees to that."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterable, Iterator

from litestar import Response, Router, get
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from collector.errors import DataError
from collector.read import Reader
from collector.status import read
from dashboard.metrics import gather
from dashboard.metrics.declared import METRICS, Kind
from dashboard.metrics.gather import Sample
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.store import NotReadyError

_TEXT = "text/plain; version=0.0.4"
"""The oldest form of the format: every reader takes it. The framework adds the character set."""


class _Given(Collector):
    """Hands over samples that were gathered."""

    def __init__(self, samples: Iterable[Sample]) -> None:
        self._samples = list(samples)

    def collect(self) -> Iterator[Metric]:
        families: dict[str, GaugeMetricFamily | CounterMetricFamily] = {}
        for sample in self._samples:
            if (family := families.get(sample.metric)) is None:
                metric = METRICS[sample.metric]
                kind = CounterMetricFamily if metric.kind is Kind.COUNTER else GaugeMetricFamily
                family = families[sample.metric] = kind(metric.name, metric.help, labels=metric.labels)
            family.add_metric(sample.labels, float(sample.figure))
        yield from families.values()


def text(samples: Iterable[Sample]) -> bytes:
    """Samples in Prometheus' text format.

    Raises:
        KeyError: One is of a metric that is not declared.
    """
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Given(samples))
    return generate_latest(registry)


@get("/metrics", include_in_schema=False)
async def get_metrics(site: AskedSite) -> Response[bytes]:
    """Everything at once; what cannot be read at present is absent, and `soakledger_collector_up` says why."""
    began_s = time.perf_counter()
    now_ms = site.utc_now_ms()
    samples = [gather.of_build(), *gather.of_collector(read(site.store.data_dir), now_ms, site.real_now_ms())]
    samples += gather.of_disk(site.store.data_dir)
    with contextlib.suppress(NotReadyError, DataError):
        samples += await site.store.read(lambda reader: _of_store(site, reader, now_ms))
    samples.append(Sample("scrape_duration_seconds", time.perf_counter() - began_s))
    return Response(text(samples), media_type=_TEXT, headers={"Cache-Control": "no-store"})


def _of_store(site: Site, reader: Reader, now_ms: int) -> list[Sample]:
    return [
        *gather.of_nodes(reader.nodes(), now_ms),
        *gather.of_basins(reader, now_ms),
        *gather.of_record(reader, site.counts, now_ms),
    ]


def metrics_router() -> Router:
    """The one address."""
    return Router("/", route_handlers=[get_metrics], guards=[only_known_parameters])
