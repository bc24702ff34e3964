"""The server: with a certificate of its own, at an address that is taken, ended while somebody listens."""

from __future__ import annotations

import asyncio
import ssl
from pathlib import Path

import httpx
import pytest
import trustme
from quick_site import bank, settings_of, write_site
from until import until

from loggerd.clock import SystemClock
from loggerd.outputs.web.server import CannotListen, PagesServer
from loggerd.settings.site import SiteSettings
from loggerd.settings.web import WebSettings
from loggerd.wiring import build_pages


def site_of(folder: Path, web: WebSettings) -> SiteSettings:
    return settings_of(write_site(folder, bank("house"))).model_copy(update={"web": web})


def server_of(folder: Path, web: WebSettings) -> PagesServer:
    return build_pages(site_of(folder, web), SystemClock())


async def test_a_certificate_of_its_own(tmp_path: Path) -> None:
    authority = trustme.CA()
    certificate = authority.issue_cert("localhost")
    certificate.cert_chain_pems[0].write_to_path(tmp_path / "certificate.pem")
    certificate.private_key_pem.write_to_path(tmp_path / "key.pem")
    authority.cert_pem.write_to_path(tmp_path / "authority.pem")
    web = WebSettings(port=0, certificate_file=str(tmp_path / "certificate.pem"), key_file=str(tmp_path / "key.pem"))
    server = server_of(tmp_path, web)
    port = server.listen()
    serving = asyncio.create_task(server.serve())
    trusted = ssl.create_default_context(cafile=str(tmp_path / "authority.pem"))
    async with httpx.AsyncClient(verify=trusted) as client:
        answer = await client.get(f"https://localhost:{port}/sign-in")
        with pytest.raises(httpx.TransportError):
            await client.get(f"http://localhost:{port}/sign-in")
    server.stop()
    await serving

    assert answer.status_code == 200
    assert answer.headers["strict-transport-security"]


async def test_a_certificate_that_cannot_be_used_is_told(tmp_path: Path) -> None:
    (tmp_path / "certificate.pem").write_text("no certificate\n", encoding="ascii")
    web = WebSettings(
        port=0, certificate_file=str(tmp_path / "certificate.pem"), key_file=str(tmp_path / "certificate.pem")
    )

    with pytest.raises(CannotListen, match="certificate"):
        await server_of(tmp_path, web).serve()


async def test_an_address_that_is_taken_is_told(tmp_path: Path) -> None:
    first = server_of(tmp_path, WebSettings(port=0))
    port = first.listen()
    serving = asyncio.create_task(first.serve())
    try:
        with pytest.raises(CannotListen, match=f"port {port}"):
            server_of(tmp_path, WebSettings(port=port)).listen()
    finally:
        first.stop()
        await serving


async def test_a_connection_that_says_nothing_does_not_hold_up_the_end(tmp_path: Path) -> None:
    server = server_of(tmp_path, WebSettings(port=0))
    port = server.listen()
    serving = asyncio.create_task(server.serve())
    _, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(b"GET / HTTP/1.1\r\nHost: localhost\r\n")
    await writer.drain()
    server.stop()
    await until(serving.done)
    assert serving.exception() is None
    writer.close()
