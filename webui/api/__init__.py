"""The interface for machines: JSON under /api, described by OpenAPI 3.1 at /api/openapi.json."""

from webui.api.register import PREFIX, register_api

__all__ = ["PREFIX", "register_api"]
