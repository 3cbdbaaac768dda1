"""What the service counts and times, for a Prometheus server."""

from typing import Final

from litestar import Controller, Response, get

from service import metrics
from service.api.operations import TextBody, tells

_MEDIA: Final = "text/plain"
_EXPOSITION: Final = TextBody(
    description="Text-based exposition format of Prometheus, version 0.0.4.",
    example=(
        "# HELP wrench_drift_requests_total Requests answered.\n"
        "# TYPE wrench_drift_requests_total counter\n"
        'wrench_drift_requests_total{operation="recordCheck",status="201"} 42.0\n'
    ),
)


class MetricsController(Controller):
    path = "/metrics"
    tags = ["health"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="readMetrics",
        summary="What the service counts and times",
        description=(
            "Requests by operation and status with their seconds, records stored by kind, the wait "
            "for the writer of the store, the learning of laws; for a Prometheus server."
        ),
        media_type=_MEDIA,
        sync_to_thread=True,
        opt=tells(answered={_MEDIA: _EXPOSITION}),
    )
    def read(self) -> Response[bytes]:
        return Response(
            metrics.exposition(),
            media_type=metrics.MEDIA_TYPE,
            headers={"Cache-Control": "no-store"},
        )
