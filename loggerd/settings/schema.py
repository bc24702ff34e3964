"""A JSON Schema of the settings file, for editors that complete and check TOML."""

from __future__ import annotations

from typing import Any

from loggerd.settings.site import SiteSettings


def site_schema() -> dict[str, Any]:
    """The schema (draft 2020-12) of one site's file."""
    schema = SiteSettings.model_json_schema(by_alias=True)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "Settings of a site",
    }
