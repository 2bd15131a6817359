"""Who is let in? Only the browser that holds the key, from the page itself."""

from __future__ import annotations

import pytest

PATHS = ("/", "/page.js", "/study/covers", "/study/covers/progress", "/study/covers/results/x")


@pytest.mark.parametrize("path", PATHS)
def test_without_the_key_nothing_is_shown(visitor, path):
    for cookie in ("", "durability=x", visitor.cookie[:-1], "other=" + visitor.key):
        answer = visitor.get(path, Cookie=cookie)
        assert answer.status == 403
        assert b"Covers" not in answer.body


@pytest.mark.parametrize("path", ["/leave", "/take?name=a.csv", "/study/covers/mend"])
def test_without_the_key_nothing_is_changed(visitor, path):
    assert visitor.post(path, b"{}", Cookie="").status == 403
    assert visitor.get("/").status == 200  # it was not left either
    assert sorted(p.name for p in visitor.folder.iterdir()) == ["covers"]


def test_a_wrong_key_gets_no_cookie(visitor):
    answer = visitor.get("/?key=guess", Cookie="")
    assert (answer.status, "set-cookie" in answer.headers) == (403, False)


def test_the_key_leaves_the_address_and_becomes_a_cookie_that_no_script_or_site_sees(visitor):
    answer = visitor.get(f"/study/covers?file=a&key={visitor.key}", Cookie="")
    assert answer.status == 303
    assert answer.headers["location"] == "/study/covers?file=a"
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie
    assert f"durability-{visitor.port}=" in cookie


@pytest.mark.parametrize("host", ["evil.example", "evil.example:{port}", "127.0.0.1", "[::1]:1"])
def test_a_foreign_name_that_points_here_is_turned_away(visitor, host):
    named = host.format(port=visitor.port)
    assert visitor.get("/", Host=named).status == 421
    assert visitor.post("/leave", Host=named, Origin=f"http://{named}").status == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:1", None])
def test_a_change_from_another_page_is_refused(visitor, origin, covers):
    body = '{"file": "specimens.csv", "row": 5, "column": 3, "was": "mashine", "text": "machine"}'
    assert visitor.post("/study/covers/mend", body, Origin=origin).status == 403
    assert "mashine" in (covers / "specimens.csv").read_text()
    cross = visitor.post("/study/covers/mend", body, Sec_Fetch_Site="cross-site")
    assert cross.status == 403
    assert visitor.post("/study/covers/mend", body).status == 200


def test_another_page_may_not_even_read(visitor):
    assert visitor.get("/", Origin="http://evil.example").status == 403


def test_every_answer_forbids_foreign_content(visitor):
    for path in ("/", "/page.css", "/study/covers", "/no/such"):
        headers = visitor.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
        assert "server" not in headers or "uvicorn" not in headers["server"]


def test_a_socket_is_not_opened(visitor):
    answer = visitor.get("/", Upgrade="websocket", Connection="Upgrade",
                         Sec_WebSocket_Key="x" * 24, Sec_WebSocket_Version="13")  # fmt: skip
    assert answer.status != 101


@pytest.mark.parametrize(
    "path",
    [
        "/study/../secret", "/study/%2e%2e/", "/study/..%2fsecret", "/study/%2e%2e%2fsecret/text",
        "/study/covers/results/..%2f..%2fsecret.txt", "/study/covers/results/%2e%2e/secret.txt",
        "/study/covers/results/study.toml", "/study/secret", "/study/linked",
        "/page.css/../../secret.txt", "/page/../secret.txt", "/study/covers?file=../../secret.txt",
        "/study/covers/columns?original=../study.toml", "/study/covers/columns?original=/etc/hosts",
    ],
)  # fmt: skip
def test_no_address_leads_out_of_the_folder(start, covers, path):
    outside = covers.parent.parent
    (outside / "secret.txt").write_text("SECRET")
    (outside / "secret").mkdir()
    (outside / "secret" / "study.toml").write_text('[study]\ntitle = "SECRET"\n')
    (covers.parent / "linked").symlink_to(outside / "secret")
    (covers / "results").mkdir()
    answer = start(covers.parent).get(path)
    assert b"SECRET" not in answer.body
    assert answer.status in (200, 404, 422)


def test_the_page_is_served_to_this_machine_alone(covers, monkeypatch):
    """The whole start: the socket, the key in the address, and leaving."""
    import urllib.request

    from durability.page import serve

    found = []

    def visit(served):
        import threading

        def ask():
            jar = urllib.request.HTTPCookieProcessor()
            opener = urllib.request.build_opener(jar)
            with opener.open(served.address, timeout=20) as answer:
                found.append(answer.read().decode())
            base = served.address.partition("/?")[0]
            leave = urllib.request.Request(f"{base}/leave", b"", {"Origin": base})
            with opener.open(leave, timeout=20) as answer:
                found.append(answer.read().decode())

        assert served.address.startswith("http://127.0.0.1:")
        assert len(served.address.partition("key=")[2]) >= 43  # 256 random bits
        threading.Thread(target=ask, daemon=True).start()

    serve(covers.parent, started=visit)
    assert "Covers" in found[0] and "Closed" in found[1]


def test_a_folder_that_is_not_there_is_named(tmp_path):
    from durability.page import serve

    with pytest.raises(ValueError, match="nowhere is no folder"):
        serve(tmp_path / "nowhere")
