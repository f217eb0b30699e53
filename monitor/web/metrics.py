"""The service's numbers as OpenMetrics families, read when they are asked for. No person, place or device is named."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.registry import Collector

from monitor import __version__
from monitor.core.books import OUTCOMES, REJECTED
from monitor.web.health import Watched, bridges, concerns, silent_carriers

NOTICES = ("sent", "failed", "dropped")


class Numbers(Collector):
    """Collects them; counters go on from what is stored, so a restart does not begin them anew."""

    def __init__(self, service: Watched) -> None:
        self._service = service

    def collect(self) -> Iterable[Metric]:
        """All families."""
        yield InfoMetricFamily("secondbell", "This monitor.", value={"version": __version__})
        yield from self._working()
        yield from self._seen()
        yield from self._counted()

    def _working(self) -> Iterator[Metric]:
        service, pulse = self._service, self._service.pulse
        yield _gauge("start_time_seconds", "When it was started.", pulse.began / 1000)
        if pulse.stepped is not None:
            yield _gauge("last_step_time_seconds", "Of which instant all is stored.", pulse.stepped / 1000)
        yield _gauge("deadline_late_seconds", "How late the earliest deadline is.", service.late() / 1000)
        yield _gauge("broker_connected", "1 while the broker is there.", pulse.link_since is not None)
        yield _gauge("store_working", "1 unless the store refuses.", pulse.unstored_since is None)
        silent = silent_carriers(service.engine)
        working = GaugeMetricFamily(
            "secondbell_carrier_working", "1 unless this carrier is known not to send.", labels=["carrier"]
        )
        for name in service.carriers:
            working.add_metric([name], float(name not in silent))
        yield working

    def _seen(self) -> Iterator[Metric]:
        engine = self._service.engine
        devices = sum(not engine.site.is_drill(name) for name in engine.devices)
        yield _gauge("devices", "Pumps that have been heard of.", devices)
        there = GaugeMetricFamily(
            "secondbell_bridges", "Bridges, by what they say of themselves.", labels=["state"]
        )
        found = bridges(engine)
        for state in ("there", "catching-up", "gone"):
            there.add_metric([state], found[state])
        yield there
        live = GaugeMetricFamily(
            "secondbell_concerns", "Concerns that are not settled.", labels=["priority", "state"]
        )
        for priority, states in concerns(engine).items():
            for state, number in states.items():
                live.add_metric([priority, state], number)
        yield live
        yield _gauge("notices_waiting", "Notices that are not over.", len(engine.outbox.notices))

    def _counted(self) -> Iterator[Metric]:
        counters = self._service.engine.counters
        messages = CounterMetricFamily(
            "secondbell_messages", "Messages, by what became of them.", labels=["outcome"]
        )
        for outcome in OUTCOMES:
            messages.add_metric([outcome.replace(" ", "-")], counters[outcome])
        rejected = sorted(name for name in counters if name.startswith(REJECTED))
        for name in rejected:
            messages.add_metric([name.replace(" ", "-")], counters[name])
        yield messages
        notices = CounterMetricFamily("secondbell_notices", "Notices that are over.", labels=["outcome"])
        for outcome in NOTICES:
            notices.add_metric([outcome], counters[f"notices {outcome}"])
        yield notices
        yield _counter("sequence_gaps", "Messages of pumps that never came.", counters["sequence-gaps"])
        yield _counter("publications_given_up", "Messages that we could not publish.", self._service.dropped)


def registry_of(service: Watched) -> CollectorRegistry:
    """The numbers of a service and of its process, and of nothing else."""
    registry = CollectorRegistry(auto_describe=False)
    ProcessCollector(registry=registry)
    registry.register(Numbers(service))
    return registry


def _gauge(name: str, text: str, value: float) -> GaugeMetricFamily:
    unit = "seconds" if name.endswith("_seconds") else ""
    return GaugeMetricFamily(f"secondbell_{name}", text, value=float(value), unit=unit)


def _counter(name: str, text: str, value: int) -> CounterMetricFamily:
    return CounterMetricFamily(f"secondbell_{name}", text, value=value)
