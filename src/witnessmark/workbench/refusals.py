"""What a request gets that cannot be answered: one line, without any place on this machine."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from witnessmark.errors import BadOutput, BadWorkbench, CaseChanged
from witnessmark.workbench.bench import bench_of, templates


async def refused(request: Request, error: Exception) -> Response:
    """A mistake of the input in one line: JSON, or a page where one was asked for."""
    said, status = bench_of(request).folder.without_places(str(error)), status_of(error)
    if request.method == "GET" and not request.url.path.startswith("/api/"):
        return templates.TemplateResponse(request, "trouble.html", {"said": said}, status_code=404)
    return JSONResponse({"error": said}, status_code=status)


def status_of(error: Exception) -> int:
    """The HTTP status of an error."""
    if isinstance(error, BadWorkbench):
        return error.status
    if isinstance(error, CaseChanged):
        return 409
    return 507 if isinstance(error, BadOutput) else 400
