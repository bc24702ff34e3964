"""End to end with Debian's opensmtpd on loopback: a server that nobody here wrote, into a mailbox."""

from __future__ import annotations

import fcntl
import os
import pwd
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default as modern
from pathlib import Path
from typing import cast

import pytest
from hand_recording import HandClock
from outbox_bench import HOUR, SENDER, Bench, keeper, key, told_in

from loggerd.model.outbox import MailState
from loggerd.outputs.mail_sending import MailServer

SMTPD = shutil.which("smtpd") or "/usr/sbin/smtpd"
needs_opensmtpd = pytest.mark.skipif(
    os.geteuid() != 0 or not Path(SMTPD).exists(), reason="opensmtpd is not installed, or this is not root"
)
pytestmark = [pytest.mark.needs_root, needs_opensmtpd]


@dataclass
class OpenSmtpd:
    """A running server; `mails` are in the mailbox of every address."""

    port: int
    mailbox: Path

    def by_name(self) -> dict[str, EmailMessage]:
        """What has arrived, by Message-ID."""
        paths = [path for path in self.mailbox.rglob("new/*") if path.is_file()]
        found = [cast(EmailMessage, message_from_bytes(path.read_bytes(), policy=modern)) for path in paths]
        assert len({str(one["Message-ID"]) for one in found}) == len(found), "nothing came twice"
        return {str(one["Message-ID"]).strip(): one for one in found}


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
        return port


def _configure(folder: Path, port: int) -> Path:
    """The settings of a server that takes mail for two people, and for nobody else, into one mailbox.

    Without encryption: Debian 12's opensmtpd cannot use its private keys with OpenSSL 3 ("missing private key").
    """
    (folder / "everybody").write_text("anna@home.test nobody\nben@home.test nobody\n")
    owner = pwd.getpwnam("nobody")
    (folder / "people").write_text(f"nobody {owner.pw_uid}:{owner.pw_gid}:{folder / 'home'}\n")
    (folder / "home").mkdir()
    os.chown(folder / "home", owner.pw_uid, owner.pw_gid)
    settings = folder / "smtpd.conf"
    settings.write_text(
        f"table everybody file:{folder}/everybody\n"
        f"table people file:{folder}/people\n"
        f"listen on 127.0.0.1 port {port}\n"
        f'action "keep" maildir "{folder}/home/box" userbase <people> virtual <everybody>\n'
        'match from any for domain "home.test" action "keep"\n'
    )
    settings.chmod(0o600)
    return settings


@contextmanager
def the_only_one() -> Iterator[None]:
    """All servers of this machine share one spool and one control socket: one at a time."""
    with (Path(tempfile.gettempdir()) / "loggerd-test-opensmtpd.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


@contextmanager
def running() -> Iterator[OpenSmtpd]:
    # The mailbox is written by another user, whom pytest's folders do not let in.
    folder = Path(tempfile.mkdtemp(prefix="loggerd-opensmtpd-"))
    folder.chmod(0o711)
    port = _free_port()
    settings = _configure(folder, port)
    process = subprocess.Popen(
        [SMTPD, "-d", "-f", str(settings)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True
    )
    try:
        while process.poll() is None and not _listens(port):
            time.sleep(0.05)
        assert process.poll() is None, process.stdout.read().decode() if process.stdout else ""
        yield OpenSmtpd(port, folder / "home" / "box")
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGTERM)
        if process.stdout is not None:
            sys.stdout.write(process.stdout.read().decode(errors="replace"))
            process.stdout.close()
        process.wait()
        shutil.rmtree(folder)


def _listens(port: int) -> bool:
    with socket.socket() as asking:
        return asking.connect_ex(("127.0.0.1", port)) == 0


@pytest.mark.timeout(120)
def test_alarms_arrive_in_the_mailbox(tmp_path: Path) -> None:
    """Also past a keeper whom this server does not know, and over an hour in which it is not there."""
    receivers = (keeper("anna"), keeper("carl"), keeper("ben"))
    bench = Bench(tmp_path / "record.sqlite", receivers, HandClock())
    port = [1]
    delivery = bench.delivery(lambda: MailServer("127.0.0.1", port[0], "none", SENDER))
    bench.look(key("short"), key("spread", "string 1"))
    bench.run(delivery, HOUR)
    with the_only_one(), running() as server:
        port[0] = server.port
        bench.run(delivery, HOUR)
        bench.look(ends=(key("short"), key("spread", "string 1")))
        bench.run(delivery, 30 * HOUR)
        assert "carl" in delivery.health.refused
        assert "anna" not in delivery.health.refused
        look = bench.outbox()
        assert {one.receiver for one in look.items} == {"carl"}
        with bench.reading() as reader:
            changes = [one.id for one in reader.alarm_changes()]
            names = {one.message_id for one in reader.last_mails(100) if one.state is MailState.ACCEPTED}
        # The spool may hold mails of a run that was killed.
        while names - set(found := server.by_name()):
            time.sleep(0.05)
    for name in ("anna", "ben"):
        texts = [
            body.get_content()
            for one in (found[message_id] for message_id in names)
            if one["To"] == f"{name}@home.test" and (body := one.get_body(("plain",))) is not None
        ]
        assert sorted(number for text in texts for number in told_in(text)) == changes
    bench.close()
