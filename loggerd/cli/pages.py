"""loggerd pages: serves the pages by which a site is reviewed from afar."""

from __future__ import annotations

import argparse
import logging
import sys

from loggerd.cli.arguments import add_settings, verb_parser


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb to the command line."""
    parser = verb_parser(
        subparsers,
        "pages",
        "serve the pages of the site, until stopped",
        "Serves pages and an interface for programs from the record, beside the service. Nothing can be switched by\n"
        "them. Table [web] of the settings says where; `loggerd access` says who may sign in.",
        "loggerd pages site.toml",
    )
    add_settings(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Serve until stopped. Returns the exit code."""
    import asyncio

    from loggerd.clock import SystemClock
    from loggerd.outputs.web.server import serve_until_signal
    from loggerd.settings.load import load_settings
    from loggerd.supervisor import tell_supervisor
    from loggerd.wiring import build_pages

    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(levelname)s %(message)s")
    settings = load_settings(arguments.settings)
    server = build_pages(settings, SystemClock())
    port = server.listen()
    way = "https" if settings.web.certificate_file is not None else "http"
    host = f"[{settings.web.listen}]" if ":" in settings.web.listen else settings.web.listen
    print(f"pages of {settings.site.name} at {way}://{host}:{port}", flush=True)
    tell_supervisor("READY=1", f"STATUS=pages at port {port}")
    asyncio.run(serve_until_signal(server))
    return 0
