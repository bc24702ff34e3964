"""The pages behind nginx with TLS, set up as the example in deploy says."""

from __future__ import annotations

import re
import shutil
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
import trustme
from seeded_site import weak_cabin

from loggerd.store.access import AccessStore

EXAMPLE = Path(__file__).resolve().parents[2] / "deploy" / "nginx-pages.conf"
NAME = "hut.example.org"
PASSWORD = "rain on a tin roof"
NGINX = shutil.which("nginx", path="/usr/sbin:/usr/bin")
FORM = {"Origin": f"https://{NAME}", "Sec-Fetch-Site": "same-origin"}


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextmanager
def pages(folder: Path, port: int) -> Iterator[None]:
    """`loggerd pages` as the unit runs it."""
    command = [sys.executable, "-m", "loggerd", "pages", str(folder / "site.toml")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            assert str(port) in process.stdout.readline()
            yield
        finally:
            process.terminate()
            assert process.wait(20) == 0


@contextmanager
def proxy(folder: Path, port: int, behind: int) -> Iterator[str]:
    """nginx with the example's own lines, but for ports, files and the address it is asked at."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(folder / "authority.pem")
    certificate = authority.issue_cert(NAME)
    certificate.cert_chain_pems[0].write_to_path(folder / "certificate.pem")
    certificate.private_key_pem.write_to_path(folder / "key.pem")
    text = EXAMPLE.read_text(encoding="utf-8").split("\nserver {\n    listen 80;")[0]
    text = text.replace("listen 443 ssl;", f"listen 127.0.0.1:{port} ssl;").replace("    listen [::]:443 ssl;\n", "")
    text = text.replace("/etc/ssl/hut.example.org.pem", str(folder / "certificate.pem"))
    text = text.replace("/etc/ssl/private/hut.example.org.key", str(folder / "key.pem"))
    text = text.replace("127.0.0.1:8460", f"127.0.0.1:{behind}")
    temporary = "".join(
        f"{kind}_temp_path {folder}/{kind};" for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    whole = f"daemon off; pid {folder}/pid; events {{}} http {{ access_log off; {temporary}\n{text}\n}}"
    (folder / "nginx.conf").write_text(whole, encoding="utf-8")
    assert NGINX is not None
    command = [NGINX, "-e", str(folder / "errors"), "-p", str(folder), "-c", str(folder / "nginx.conf")]
    checked = subprocess.run([*command, "-t"], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stderr
    with subprocess.Popen(command) as process:
        try:
            yield f"https://{NAME}:{port}"
        finally:
            process.terminate()


@pytest.fixture
def client(tmp_path: Path) -> Iterator[httpx.Client]:
    if NGINX is None:
        pytest.skip("nginx is not installed")
    weak_cabin(tmp_path)
    port, behind = free_port(), free_port()
    settings = tmp_path / "site.toml"
    web = f'\n[web]\nport = {behind}\naddress = "https://{NAME}"\n'
    settings.write_text(settings.read_text(encoding="utf-8") + web, encoding="utf-8")
    words = ["access", str(settings), "add", "anna", "--role", "keeper", "--password-stdin"]
    subprocess.run([sys.executable, "-m", "loggerd", *words], input=f"{PASSWORD}\n", text=True, check=True)
    with pages(tmp_path, behind), proxy(tmp_path, port, behind) as address:
        trusted = ssl.create_default_context(cafile=str(tmp_path / "authority.pem"))
        transport = httpx.HTTPTransport(verify=trusted, retries=20)
        with httpx.Client(
            transport=transport,
            base_url=address.replace(NAME, "127.0.0.1"),
            headers={"Host": NAME},
            timeout=60,
        ) as one:
            one.headers["X-Forwarded-For"] = "203.0.113.9"
            yield one


def asked(client: httpx.Client, method: str, path: str, **more: object) -> httpx.Response:
    extensions = {"sni_hostname": NAME}
    return client.request(method, path, extensions=extensions, **more)  # type: ignore[arg-type]


def test_keepers_sign_in_over_tls_and_live_values_come_through(client: httpx.Client, tmp_path: Path) -> None:
    first = asked(client, "GET", "/")
    assert first.status_code == 303
    assert first.headers["strict-transport-security"]
    form = {"name": "anna", "password": PASSWORD, "next": "/"}
    signed = asked(client, "POST", "/sign-in", data=form, headers=FORM)
    assert signed.status_code == 303
    cookie = signed.headers.get_list("set-cookie")[0]
    assert re.match(r"__Host-loggerd=[^;]+;", cookie)
    assert "Secure" in cookie
    assert "HttpOnly" in cookie
    value = cookie.split(";")[0]
    assert asked(client, "GET", "/", headers={"Cookie": value}).status_code == 200

    with client.stream("GET", "/live/house", headers={"Cookie": value}, extensions={"sni_hostname": NAME}) as live:
        assert live.status_code == 200
        assert next(live.iter_text())

    # What a visitor says of its own address is not believed; what the proxy says is.
    addresses = {one.address for one in AccessStore(tmp_path / "record.sqlite").audit(10) if one.who == "anna"}
    assert "203.0.113.9" not in addresses
    foreign = asked(client, "POST", "/sign-out", headers={"Cookie": value, "Origin": "https://elsewhere.example"})
    assert foreign.status_code == 403
