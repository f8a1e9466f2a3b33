"""Who the desk answers, tried with raw sockets: each check alone, and what every answer carries.

Sources of what a browser sends: Fetch Metadata Request Headers (W3C), RFC 6454 (Origin), RFC 6265bis
(SameSite); what each header does: Content Security Policy Level 3 (W3C), Fetch (WHATWG).
"""

from __future__ import annotations

import os
import socket
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers_batch import make_study, until
from helpers_desk import PROJECT, Served, desk


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    where = tmp_path_factory.mktemp("desk")
    make_study(where / "studies", "S-2041")
    with desk(where) as running:
        yield running


@pytest.fixture(scope="module")
def cookie(served: Served) -> str:
    return served.come_in()


@pytest.mark.parametrize(
    "host",
    [None, "", "localhost:{port}", "127.0.0.1", "127.0.0.1:1", "lab.example:{port}", "[::1]:{port}",
     "127.0.0.1:{port}.lab.example", "127.0.0.1.:{port}", "user@127.0.0.1:{port}",
     "127.0.0.1:{port}, 127.0.0.1:{port}"],
)  # fmt: skip
@pytest.mark.parametrize("address", ["/", "/enter", "/static/desk.css"])
def test_a_name_that_is_not_ours_whole_gets_no_answer(
    served: Served, cookie: str, host: str | None, address: str
) -> None:
    """A rebound name: no Sec-Fetch-Site, an Origin that equals the Host, and even the cookie."""
    name = None if host is None else host.format(port=served.port)
    method = "POST" if address == "/enter" else "GET"
    answer = served.ask(
        method, address,
        headers={"Host": name, "Origin": f"http://{name}", "Cookie": cookie}, form={"key": "x"},
    )  # fmt: skip
    assert answer.status in (400, 421)
    assert "Worklist" not in answer.text


def test_two_hosts_or_an_address_of_another_host_get_no_answer(served: Served, cookie: str) -> None:
    ours = f"127.0.0.1:{served.port}"
    for head in (
        f"GET / HTTP/1.1\r\nHost: {ours}\r\nHost: lab.example\r\n",
        f"GET / HTTP/1.1\r\nHost: lab.example\r\nHost: {ours}\r\n",
        f"GET http://lab.example/ HTTP/1.1\r\nHost: lab.example:{served.port}\r\n",
        "GET / HTTP/1.0\r\n",
    ):
        answer = served.raw(f"{head}Cookie: {cookie}\r\nConnection: close\r\n\r\n".encode())
        assert b" 200 " not in answer.split(b"\r\n")[0], head


POSTS = ["/", "/end", "/folders", "/settings", "/settings/policy", "/trends", "/runs/1/cancel",
         "/studies/x/decide", "/studies/x/review", "/studies/x/correct", "/studies/x/again",
         "/studies/x/show", "/folders/x/order"]  # fmt: skip


@pytest.mark.parametrize(
    "sent",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},  # a page of another port: SameSite lets its cookie through
        {"Sec-Fetch-Site": "none"},
        {"Sec-Fetch-Site": "same-origin, cross-site"},
        {"Sec-Fetch-Site": "cross-site", "Origin": "{origin}"},
        {},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "http://localhost:{port}"},
        {"Origin": "https://127.0.0.1:{port}"},
        {"Origin": "{origin}.lab.example"},
    ],
)
@pytest.mark.parametrize("address", POSTS)
def test_no_other_page_can_post_even_with_the_cookie(
    served: Served, cookie: str, address: str, sent: dict[str, str]
) -> None:
    headers: dict[str, str | None] = {
        name: text.format(origin=served.origin, port=served.port) for name, text in sent.items()
    }
    answer = served.ask("POST", address, headers={**headers, "Cookie": cookie}, form={"a": "b"})
    assert answer.status == 403
    assert served.process.poll() is None


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "X"])
def test_other_methods_do_nothing(served: Served, cookie: str, method: str) -> None:
    answer = served.ask(method, "/end", headers={"Cookie": cookie})
    assert answer.status in (400, 403, 405)
    answer = served.ask(method, "/end", headers={"Cookie": cookie, "Sec-Fetch-Site": "same-origin"})
    assert answer.status in (200, 204, 400, 403, 405)  # OPTIONS lists methods, and that is all
    assert served.process.poll() is None


def test_our_own_page_can_post_with_either_header(served: Served, cookie: str) -> None:
    for own in ({"Sec-Fetch-Site": "same-origin"}, {"Origin": served.origin}):
        answer = served.ask("POST", "/", headers={**own, "Cookie": cookie}, form={"words": "x"})
        assert answer.status == 200


GETS = ["/", "/folders", "/trends", "/settings", "/changes", "/trends.html", "/runs/1",
        "/runs/1/state", "/studies/x", "/studies/x/audit.html", "/studies/x/copy.zip",
        "/studies/x/files/audit.json", "/folders/x", "/folders/x/order", "/nothing"]  # fmt: skip


@pytest.mark.parametrize("address", GETS)
@pytest.mark.parametrize(
    "cookies", [None, "desk-{port}=", "desk-{port}=wrong", "desk-1={value}", "desk={value}"]
)
def test_a_browser_that_did_not_come_in_sees_nothing(
    served: Served, cookie: str, address: str, cookies: str | None
) -> None:
    value = cookie.partition("=")[2]
    sent = None if cookies is None else cookies.format(port=served.port, value=value)
    answer = served.ask("GET", address, headers={"Cookie": sent})
    assert answer.status == 403
    assert "S-2041" not in answer.text


@pytest.mark.parametrize("site", ["cross-site", "same-site", "x"])
def test_another_page_cannot_load_ours_even_with_the_cookie(
    served: Served, cookie: str, site: str
) -> None:
    for address in ("/", "/changes", "/static/desk.js"):
        headers = {"Cookie": cookie, "Sec-Fetch-Site": site}
        assert served.ask("GET", address, headers=headers).status == 403


def test_the_key_is_for_one_use_and_becomes_a_cookie_that_no_script_sees(served: Served) -> None:
    key = served.key()
    first = served.ask("POST", "/enter", form={"key": key})
    assert first.status == 200
    name, _, attributes = first.headers["set-cookie"].partition(";")
    assert name.startswith(f"desk-{served.port}=")
    assert {a.strip().lower() for a in attributes.split(";")} == {
        "httponly", "samesite=strict", "path=/",
    }  # fmt: skip
    assert served.ask("POST", "/enter", form={"key": key}).status == 403
    assert served.key() != key
    for wrong in ("", "x", key[:-1], served.key()[:-1] + "\u00e9"):
        answer = served.ask("POST", "/enter", form={"key": wrong})
        assert answer.status == 403
        assert "set-cookie" not in answer.headers
    assert served.ask("GET", f"/enter?key={served.key()}").status in (403, 405)


def test_only_its_owner_can_read_the_key_and_it_stands_nowhere_else(served: Served) -> None:
    key = served.key()
    assert stat.S_IMODE(served.opening.stat().st_mode) == 0o600
    assert stat.S_IMODE(served.opening.parent.stat().st_mode) == 0o700
    served.come_in()
    until(lambda: served.key() != key)
    lines = Path(f"/proc/{served.process.pid}/cmdline").read_bytes()
    environment = Path(f"/proc/{served.process.pid}/environ").read_bytes()
    log = (served.home / "auditor-desk" / "desk.log").read_text()
    for secret in (key, served.key()):
        assert secret.encode() not in lines + environment
        assert secret not in log
        for path in served.folder.rglob("*"):
            assert not path.is_file() or secret.encode() not in path.read_bytes()


@pytest.mark.parametrize("address", ["/", "/settings", "/static/desk.js", "/nothing", "/changes"])
def test_every_answer_carries_the_same_headers(served: Served, cookie: str, address: str) -> None:
    for headers in ({"Cookie": cookie}, {}, {"Cookie": cookie, "Host": "lab.example"}):
        found = served.ask("GET", address, headers=dict(headers)).headers
        if found.get("content-type", "").startswith("text/plain"):
            continue  # refused by the server before it reached the desk
        assert found["cache-control"] == "no-store"
        assert found["referrer-policy"] == "no-referrer"
        assert found["x-content-type-options"] == "nosniff"
        assert found["cross-origin-resource-policy"] == "same-origin"
        assert found["cross-origin-opener-policy"] == "same-origin"
        policy = found["content-security-policy"]
        assert policy.startswith("default-src 'none'; style-src 'self'; script-src 'self'")
        assert "frame-ancestors 'none'" in policy
        assert "form-action 'self'" in policy
        assert "unsafe" not in policy
        assert "access-control-allow-origin" not in found
        assert "server" not in found


def test_limits_of_header_body_and_fields(served: Served, cookie: str) -> None:
    own: dict[str, str | None] = {"Cookie": cookie, "Sec-Fetch-Site": "same-origin"}
    assert served.ask("GET", "/", headers={**own, "X": "a" * 20_000}).status in (0, 400, 431)
    assert served.ask("POST", "/", headers=own, form={"words": "a" * 1_100_000}).status in (0, 413)
    many = {f"f{n}": "x" for n in range(3000)}
    answer = served.ask("POST", "/", headers=own, form=many)
    assert answer.status in (200, 413)  # fields of a form in one line are no parts; they do nothing
    length: dict[str, str | None] = {**own, "Content-Length": "-5"}
    assert served.ask("POST", "/", headers=length).status == 400
    two_lengths = (  # RFC 9112, 6.3: such a request may be an attempt to smuggle another one in
        f"POST /end HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nCookie: {cookie}\r\n"
        "Sec-Fetch-Site: cross-site\r\nContent-Length: 3\r\nTransfer-Encoding: chunked\r\n"
        "Connection: close\r\n\r\n0\r\n\r\n"
    )
    assert b" 200 " not in served.raw(two_lengths.encode()).split(b"\r\n")[0]
    assert served.ask("GET", "/", headers={"Cookie": cookie}).status == 200


def test_a_line_that_says_nothing_is_closed_and_holds_nobody_up(
    served: Served, cookie: str
) -> None:
    with socket.create_connection(("127.0.0.1", served.port)) as slow:
        slow.sendall(b"GET / HTTP/1.1\r\nHost: ")
        assert served.ask("GET", "/", headers={"Cookie": cookie}).status == 200
        slow.setblocking(False)
        with pytest.raises(BlockingIOError):  # open still: nobody waited for its end
            slow.recv(1)
        slow.settimeout(300)
        assert slow.recv(1 << 16) == b""  # closed after waitress's channel_timeout


def test_reading_changes_nothing(served: Served, cookie: str) -> None:
    def state() -> list[tuple[str, int]]:
        return sorted(
            (str(p), p.stat().st_mtime_ns)
            for top in (served.folder, served.studies)
            for p in top.rglob("*")
            if not p.name.endswith(("-wal", "-shm", "-journal"))
        )

    before = state()
    for address in GETS:
        served.ask("GET", address, headers={"Cookie": cookie})
        served.ask("HEAD", address, headers={"Cookie": cookie})
    assert served.ask("GET", "/end", headers={"Cookie": cookie}).status == 405
    assert state() == before
    assert served.process.poll() is None


def listeners() -> set[tuple[str, int]]:
    """(address in hex, inode) of every listening TCP socket, IPv4 and IPv6."""
    found = set()
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            parts = line.split()
            if parts[3] == "0A":  # LISTEN, include/net/tcp_states.h of Linux
                found.add((parts[1], int(parts[9])))
    return found


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_it_listens_on_loopback_alone_and_so_do_its_children(served: Served) -> None:
    own = {served.process.pid}
    children = Path(f"/proc/{served.process.pid}/task/{served.process.pid}/children")
    own |= {int(pid) for pid in children.read_text().split()}
    sockets = set()
    for pid in own:
        for handle in Path(f"/proc/{pid}/fd").iterdir():
            try:
                target = str(handle.readlink())
            except FileNotFoundError:
                continue
            if target.startswith("socket:["):
                sockets.add(int(target[8:-1]))
    mine = {address for address, inode in listeners() if inode in sockets}
    assert mine == {f"0100007F:{served.port:04X}"}  # 127.0.0.1, little endian


def test_a_second_start_opens_the_one_that_runs(served: Served) -> None:
    again = subprocess.run(
        [sys.executable, "-m", "auditor", "desk", "--no-open", "--folder", str(served.folder)],
        cwd=PROJECT, env={**os.environ, "HOME": str(served.home)}, capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip
    assert again.returncode == 0
    assert f"runs already, at {served.origin}/" in again.stdout
    assert str(served.opening) in again.stdout


def test_somebody_elses_desk_is_named(served: Served, tmp_path: Path) -> None:
    """Another user: no note of that desk in the own home, so only the folder says who has it."""
    other = subprocess.run(
        [sys.executable, "-m", "auditor", "desk", "--no-open", "--folder", str(served.folder)],
        cwd=PROJECT, env={**os.environ, "HOME": str(tmp_path)}, capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip
    assert other.returncode == 2
    assert "is in use by the desk of" in other.stderr
    assert "since 20" in other.stderr


def test_the_log_names_no_folder_and_no_study(served: Served, cookie: str) -> None:
    served.ask("GET", "/S-2041/../P-2041?name=Doe", headers={"Cookie": cookie})
    served.ask("GET", "/studies/P-2041", headers={"Cookie": cookie, "User-Agent": "P-2041"})
    log = (served.home / "auditor-desk" / "desk.log").read_text()
    assert "GET /studies/<id> 404" in log
    assert "2041" not in log
    assert "Doe" not in log
