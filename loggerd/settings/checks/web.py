"""The pages: nothing that would carry passwords over an open line, nothing that leads nowhere."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import urlsplit

from loggerd.settings.draft import Draft
from loggerd.settings.faults import Fault


def check_certificate(draft: Draft) -> Iterator[Fault]:
    """A certificate is of no use without its key, nor a key without its certificate."""
    web = draft.web
    if web is None or (web.certificate_file is None) == (web.key_file is None):
        return
    given, missing = ("certificate_file", "key_file") if web.key_file is None else ("key_file", "certificate_file")
    yield Fault(("web", given), f'no "{missing}" beside it', f'"{given}" and "{missing}" together, or neither')


def check_links(draft: Draft) -> Iterator[Fault]:
    """A link in a mail leads to where the pages are reached: at a name of their own."""
    web = draft.web
    if web is None:
        return
    if web.address is not None and urlsplit(web.address).path not in ("", "/"):
        yield Fault(
            ("web", "address"),
            f'the text "{web.address}"',
            "an address without a path: the pages need a name of their own",
        )
    if web.links_in_mails and web.address is None:
        yield Fault(
            ("web", "links_in_mails"),
            'true, but no "address"',
            'the key "address" beside it: where a link in a mail is to lead',
        )


def check_listening(draft: Draft) -> Iterator[Fault]:
    """Beyond this machine only over TLS."""
    web = draft.web
    if web is not None and not web.on_this_machine and not web.encrypted:
        yield Fault(
            ("web", "listen"),
            f'"{web.listen}" without TLS: passwords would cross the network so that others in it can read them',
            '"127.0.0.1" (reached through a proxy, SSH or a VPN on this machine), or "certificate_file" and "key_file",'
            ' or "address" with the https address of the proxy before it',
        )
