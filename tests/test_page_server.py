"""The page's server, asked over real sockets: faults 59 to 62, a hostile browser and a STOP that must be true."""

import asyncio
import json
import re
import socket
import stat
from pathlib import Path
from typing import Any

import httpx
import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.front import page as page_module
from benchwarden.daemon.front import page_morning
from benchwarden.daemon.front.feed_reader import FeedReader
from benchwarden.daemon.front.page import serve_page
from benchwarden.daemon.front.page_server import CONTROLS, STATIC
from tests.page_bench import OPERATE, RUN, VIEW, page_on, run, until
from tests.test_bench import BENCH

WAITING = {
    "number": 1,
    "profile": "capacity",
    "title": "Constant-power capacity",
    "digest": "0",
    "estimate_s": 60.0,
    "charges": True,
    "fate": "waiting",
    "why": "",
    "run": None,
}
CAUTIONS = ["It lies on what cannot burn.", "The temperature sensors hold."]
HERON = 'name = "Heron"\nchemistry = "li-ion"\nseries = 6\nrated_capacity = "5.0 Ah"\nmax_discharge = "50 A"\n'


def test_every_answer_says_how_it_may_be_used(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page:
            for path in ("/", "/page.css", "/page.js", "/api/status", "/api/runs", "/nowhere"):
                answer = await page.get(path)
                policy = answer.headers["content-security-policy"]
                assert "default-src 'none'" in policy
                assert "frame-ancestors 'none'" in policy
                assert "unsafe" not in policy
                assert answer.headers["x-content-type-options"] == "nosniff"
                assert answer.headers["cache-control"] == "no-store"
                assert "access-control-allow-origin" not in answer.headers
                assert "server" not in answer.headers
            assert (await page.get("/nowhere")).status_code == 404
            assert (await page.get("/", accept_encoding="gzip")).text.startswith("<!doctype html>")

    run(work())


def test_nothing_is_fetched_from_elsewhere_and_nothing_stands_inline() -> None:
    folder = Path(__file__).parents[1] / "daemon" / "front"
    texts = {name: (folder / name).read_text() for name in STATIC}
    for name, text in texts.items():
        addresses = set(re.findall(r"\bhttps?://[^\s\"'`)]+", text)) - {"http://www.w3.org/2000/svg"}
        assert not addresses, (name, addresses)
        assert "innerHTML" not in text, f"{name}: text from elsewhere must never become markup"
    page = texts["page.html"]
    assert not re.search(r"\son\w+=|style=|<style|javascript:", page)
    assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", page))


def test_foreign_names_are_refused_everywhere(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page:
            for path in ("/", "/page.js", "/api/status", "/api/stream", f"/api/runs/{RUN}"):
                assert (await page.get(path, host="evil.example")).status_code == 403
            assert (await page.post("/api/stop", {}, host="evil.example:8640")).status_code == 403
            assert (await page.get("/api/status", host=f"localhost:{page.port}")).status_code == 200
            assert not page.sockets.did("stop")

    run(work())


def test_other_sites_change_nothing(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            for headers in (
                {"origin": "http://evil.example"},
                {"origin": "null"},
                {"sec_fetch_site": "cross-site"},
                {"sec_fetch_site": "same-site", "origin": "http://evil.localhost"},
            ):
                for token in (None, VIEW, OPERATE):
                    assert (await page.post("/api/stop", {}, token, **headers)).status_code == 403
            assert not page.sockets.did("stop")

    run(work())


def test_without_a_token_a_stranger_gets_the_form_and_no_data(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            assert "<form" in (await page.get("/")).text
            for path in ("/api/status", "/api/now", "/api/stream", "/api/morning", "/api/runs", f"/api/runs/{RUN}"):
                assert (await page.get(path)).status_code == 401
                assert (await page.get(f"{path}?token={OPERATE}")).status_code == 401
            assert (await page.post("/api/stop", {})).status_code == 401
            assert (await page.get("/api/status", VIEW)).status_code == 200
            assert not page.sockets.did("stop")

    run(work())


def test_a_login_gives_a_cookie_that_scripts_and_other_sites_never_see(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            here = {"origin": f"http://127.0.0.1:{page.port}"}
            answer = await page.client.post("/login", data={"token": OPERATE}, headers=here)
            assert (answer.status_code, answer.headers["location"]) == (303, "/")
            cookie = answer.headers["set-cookie"]
            assert "HttpOnly" in cookie
            assert "SameSite=strict" in cookie
            assert OPERATE not in cookie
            found = (await page.get("/api/now")).json()  # httpx keeps the cookie
            assert found["you"] == {"role": "operate", "operates": True, "tokens": True}
            assert (await page.post("/api/stop", {})).status_code == 403, "a cookie alone, without an origin"
            assert (await page.post("/api/stop", {}, **here)).status_code == 200
            assert (await page.post("/api/stop", {}, origin="http://evil.example")).status_code == 403
            await page.client.post("/logout", headers=here)
            assert (await page.get("/api/now")).status_code == 401

    run(work())


def test_wrong_tokens_are_counted(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            codes = [(await page.get("/api/status", "wrong-token")).status_code for _ in range(7)]
            assert codes == [401] * 5 + [429] * 2
            assert (await page.get("/api/status", VIEW)).status_code == 429, "nor may it go on guessing"
            assert (await page.post("/api/stop", {}, "wrong-token")).status_code == 429
            assert not page.sockets.did("stop")
            assert (await page.post("/api/stop", {}, VIEW)).json()["off"] is True, "STOP never waits for a guesser"
            assert len(page.sockets.did("stop")) == 1
            answer = await page.client.post("/login", data={"token": OPERATE})
            assert answer.status_code == 429
            await until(lambda: any(line["do"] == "log in" for line in page.journal()))
            assert OPERATE not in json.dumps(page.journal())

    run(work())


def test_view_looks_and_stops_and_does_nothing_else(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            assert (await page.get(f"/api/runs/{RUN}", VIEW)).status_code == 200
            assert (await page.get("/api/bays/left/start", VIEW)).status_code == 403
            for path, data in (
                ("/api/bays/left/start", {"numbers": [1], "checked": CAUTIONS}),
                ("/api/bays/left/acknowledge", {}),
                ("/api/bays/left/answer", {"text": "yes"}),
                (f"/api/runs/{RUN}/note", {"text": "x"}),
            ):
                assert (await page.post(path, data, VIEW)).status_code == 403
            assert [request["do"] for who, request in page.sockets.asked if request["do"] != "status"] == []
            assert (await page.post("/api/stop", {}, VIEW)).json()["off"] is True
            await until(lambda: len(page.journal()) == 5)
            assert {line["who"] for line in page.journal()} == {"view at 127.0.0.1"}
            assert page.journal()[0]["answer"] == "refused: not the operator"

    run(work())


def test_without_tokens_whoever_is_here_stops_and_nobody_operates(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page:
            assert (await page.get("/api/now")).json()["you"]["role"] == "local"
            assert (await page.post("/api/stop", {"bay": "left"})).json()["off"] is True
            assert (await page.post("/api/bays/left/acknowledge", {})).status_code == 403
            assert (await page.client.post("/login", data={"token": OPERATE})).headers["location"] == "/?login=wrong"
            assert page.sockets.did("stop") == [{"do": "stop", "bay": "left"}]

    run(work())


def test_stop_asks_both_and_tells_what_was_measured(tmp_path: Path) -> None:
    """Fault 62, STOP pressed, did it stop?"""

    async def work() -> None:
        async with page_on(tmp_path) as page:
            answer = (await page.post("/api/stop", {})).json()
            assert answer["off"] is True
            assert answer["words"] == "Off: read back and measured."
            assert "worker: left: off confirmed (load 0.020 A)" in answer["lines"]
            asked = [(who, request) for who, request in page.sockets.asked if request["do"] == "stop"]
            assert sorted(who for who, _ in asked) == ["guardian", "worker"]
            await until(page.journal)
            [line] = page.journal()
            assert (line["who"], line["do"], line["bay"]) == ("local at 127.0.0.1", "stop", "all")
            assert "load 0.020 A" in line["answer"]
            mode = (tmp_path / "state" / "control.jsonl").stat().st_mode
            assert stat.S_IMODE(mode) == 0o600
            assert (await page.post("/api/stop", {"bay": "nowhere"})).status_code == 404
            assert (await page.client.post("/api/stop")).json()["off"] is True  # no body: everything

    run(work())


@pytest.mark.parametrize(
    ("worker", "guardian"),
    [
        (
            {"ok": True, "off": False, "bays": {"left": {"words": "OFF NOT CONFIRMED: unplug it"}}},
            {"off": True, "by": "worker"},
        ),
        ({"error": "a fault of this program"}, {"off": True, "by": "worker"}),
        ({"error": "a fault"}, {"off": False, "by": "guardian", "outcomes": {"load": "NO ANSWER"}}),
    ],
)
def test_a_stop_that_nobody_confirms_is_never_called_one(
    worker: dict[str, Any], guardian: dict[str, Any], tmp_path: Path
) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page:
            page.sockets.worker["stop"], page.sockets.guardian["stop"] = worker, guardian
            answer = (await page.post("/api/stop", {})).json()
            assert answer["off"] is False
            assert answer["words"].startswith("NOT CONFIRMED")

    run(work())


def test_many_presses_are_one_stop_and_other_things_do_not_wait(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page:
            page.sockets.slow = asyncio.Event()
            presses = [asyncio.create_task(page.post("/api/stop", {})) for _ in range(20)]
            await until(lambda: page.sockets.did("stop"))
            presses.pop().cancel()  # whoever closes the page ends nobody's stop
            assert (await page.get("/api/status")).status_code == 200
            page.sockets.slow.set()
            answers = await asyncio.gather(*presses)
            assert all(answer.json()["off"] for answer in answers)
            stops = len(page.sockets.did("stop"))
            assert stops <= 2, "one that came too late to share is a stop of its own"
            await page.post("/api/stop", {})
            assert len(page.sockets.did("stop")) == stops + 1, "a later press is a stop of its own"

    run(work())


def test_a_start_shows_the_plan_and_takes_every_check(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            pack = tmp_path / "heron.toml"
            pack.write_text(HERON)
            listed = {
                "pack": str(pack),
                "pack_name": "Heron",
                "stand": "idle",
                "tests": [WAITING],
                "cautions": CAUTIONS,
            }
            page.sockets.worker["list"] = {"ok": True, "bays": {"left": listed}}
            page.sockets.worker["start"] = {"ok": True, "list": {}}
            shown = (await page.get("/api/bays/left/start", OPERATE)).json()
            assert (shown["numbers"], shown["cautions"]) == ([1], CAUTIONS)
            assert "data sheet" in shown["first"]
            [test] = shown["tests"]
            assert any("discharge at 540 W" in line for line in test["plan"])
            assert "has changed since it was added" in test["wrong"]  # its digest is another one
            refused = await page.post("/api/bays/left/start", {"numbers": [1], "checked": CAUTIONS[:1]}, OPERATE)
            assert (refused.status_code, refused.json()["error"]) == (409, f"not checked: {CAUTIONS[1]}")
            assert not page.sockets.did("start")
            done = await page.post("/api/bays/left/start", {"numbers": [1], "checked": CAUTIONS}, OPERATE)
            assert done.status_code == 200
            assert page.sockets.did("start") == [{"do": "start", "bay": "left", "numbers": [1]}]
            pack.unlink()
            [test] = (await page.get("/api/bays/left/start", OPERATE)).json()["tests"]
            assert "cannot be read" in test["wrong"]
            assert (await page.get("/api/bays/nowhere/start", OPERATE)).status_code == 409

    run(work())


def test_only_what_has_a_route_can_be_asked_of_the_worker(tmp_path: Path) -> None:
    """Nothing here adds, moves or drops a test or names a file: no limit can be widened through the page."""

    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            page.sockets.worker["answer"] = {"ok": True}
            page.sockets.worker["acknowledge"] = {"ok": True}
            for path in ("add", "move", "drop", "plan", "limits", "bench"):
                assert (await page.post(f"/api/bays/left/{path}", {"do": path}, OPERATE)).status_code == 404
            await page.post("/api/bays/left/answer", {"text": "yes", "do": "add", "bay": "right"}, OPERATE)
            await page.post("/api/bays/left/acknowledge", {"do": "drop"}, OPERATE)
            asked = [request for who, request in page.sockets.asked if request["do"] != "status"]
            assert asked == [{"do": "answer", "bay": "left", "text": "yes"}, {"do": "acknowledge", "bay": "left"}]

    run(work())


def test_commands_are_limited_and_stop_is_not(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            page.sockets.worker["acknowledge"] = {"ok": True}
            codes = [
                (await page.post("/api/bays/left/acknowledge", {}, OPERATE)).status_code for _ in range(CONTROLS + 2)
            ]
            assert codes == [200] * CONTROLS + [429] * 2
            for _ in range(3):
                assert (await page.post("/api/stop", {}, OPERATE)).status_code == 200

    run(work())


def test_bodies_that_are_too_long_or_no_json_are_refused(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            path = "/api/bays/left/answer"
            headers = {"authorization": f"Bearer {OPERATE}"}
            long = await page.client.post(path, content=b"x" * 70000, headers=headers)
            assert long.status_code == 413
            form = await page.client.post(path, data={"text": "yes"}, headers=headers)
            assert (form.status_code, form.json()["error"]) == (409, "Content-Type: application/json would be right")
            assert (await page.post(path, [1], OPERATE)).status_code == 409
            deep = await page.client.post(
                "/api/stop", content=b"[" * 60000, headers={**headers, "content-type": "application/json"}
            )
            assert deep.status_code == 409
            assert "no JSON" in deep.json()["error"]
            odd = await page.post("/api/stop", {}, OPERATE, origin="http://[")
            assert odd.status_code == 403
            half = await page.client.post(
                "/api/stop", content=b'{"bay": "\\ud800"}', headers={**headers, "content-type": "application/json"}
            )
            assert half.status_code == 404
            await until(lambda: len(page.journal()) == 6)
            assert [line["answer"][:20] for line in page.journal()[3:]] == [
                "refused: no JSON: ma",
                "refused: this does n",
                "refused: there is no",
            ]
            assert not page.sockets.did("answer")

    run(work())


def test_every_call_that_does_something_is_taken_down(tmp_path: Path) -> None:
    """Also what was refused, and by whom it was let through no further; no more than so much of it, and no secret."""

    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            port, stop = page.port, "/api/stop"
            await page.post(stop, {})  # a stranger
            await page.post(stop, {}, VIEW, origin="http://evil.example")
            await page.post(stop, {}, VIEW, host="evil.example")
            await page.post(stop, {"bay": "nowhere"}, VIEW)
            await page.client.post(stop, content=b"{", headers={"authorization": f"Bearer {VIEW}"})
            await page.client.post("/api/bays/left/start", content=b"x" * 70000, headers=_as(OPERATE))
            await page.client.post(
                "/login", data={"token": "x" * 70000}, headers={"origin": f"http://127.0.0.1:{port}"}
            )
            await page.post(stop, {"bay": "left"}, VIEW)
            await page.post("/api/bays/left/answer", {"text": "y" * 500}, VIEW)
            found = await until(lambda: page.journal()[8:] and page.journal())
            told = [(line["who"].split()[0], line["do"], line["answer"][:32]) for line in found]
            assert told == [
                ("stranger", stop, "refused: a token is needed: log "),
                ("stranger", stop, "refused: this does not come from"),
                ("stranger", stop, "refused: this page is not known "),
                ("view", "stop", "refused: there is no such bay"),
                ("view", "stop", "refused: Content-Type: applicati"),
                ("operate", "start", "refused: longer than 65536 bytes"),
                ("stranger", "log in", "refused: longer than 65536 bytes"),
                ("view", "stop", "Off: read back and measured.; wo"),
                ("view", "answer", "refused: not the operator"),
            ]
            for _ in range(CONTROLS + 20):
                await page.post(stop, {})
            await page.post(stop, {}, VIEW)
            await until(lambda: page.journal()[-1]["do"] == "stop")
            assert len(page.journal()) <= CONTROLS + 10, "a stranger cannot fill it"
            assert not any(token in json.dumps(page.journal()) for token in (VIEW, OPERATE))

    run(work())


def _as(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}


def test_notes_are_kept_beside_the_runs_and_never_in_them(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            before = sorted((tmp_path / "runs").rglob("*"))
            path = f"/api/runs/{RUN}/note"
            assert (await page.post(path, {"text": " links resoldered <b> "}, OPERATE)).status_code == 200
            [listed] = (await page.get("/api/runs", VIEW)).json()["runs"]
            assert listed["note"] == "links resoldered <b>"
            assert (await page.get(f"/api/runs/{RUN}", VIEW)).json()["note"] == "links resoldered <b>"
            assert (await page.post(path, {"text": "x" * 2001}, OPERATE)).status_code == 409
            assert (await page.post("/api/runs/heron/none/note", {"text": "x"}, OPERATE)).status_code == 404
            assert (await page.post(path, {"text": ""}, OPERATE)).status_code == 200
            assert (await page.get(f"/api/runs/{RUN}", VIEW)).json()["note"] == ""
            assert sorted((tmp_path / "runs").rglob("*")) == before

    run(work())


ESCAPES = [
    "/api/runs/heron/..%2F..%2Fstate/files/worker.sock",
    "/api/runs/..%2Fstate/page-tokens/files/x.json",
    "/api/runs/%2e%2e/%2e%2e/files/page-tokens",
    f"/api/runs/{RUN}/files/..%2F..%2F..%2Fpage-tokens",
    f"/api/runs/{RUN}/files/.hidden.json",
    f"/api/runs/{RUN}/files/link.json",
    f"/api/runs/{RUN}/files/none.json",
    "/api/runs/away/run/files/run.json",
    "/api/runs/heron/none",
    "/api/runs/heron/none/curves",
]


def test_no_path_leaves_the_run_folders(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path, tokens=True) as page:
            (tmp_path / "runs" / RUN / "link.json").symlink_to(tmp_path / "page-tokens")
            elsewhere = tmp_path / "elsewhere" / "run"
            elsewhere.mkdir(parents=True)
            (elsewhere / "run.json").write_text("{}")
            (tmp_path / "runs" / "away").symlink_to(tmp_path / "elsewhere")
            for path in ESCAPES:
                answer = await page.get(path, OPERATE)
                assert answer.status_code == 404, path
                assert OPERATE not in answer.text

    run(work())


def test_a_run_s_files_are_handed_out_as_they_are(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page:
            folder = tmp_path / "runs" / RUN
            found = (await page.get(f"/api/runs/{RUN}")).json()
            assert [name for name, _ in found["files"]] == ["events.jsonl", "run.json", "samples-001.csv"]
            for name, size in found["files"]:
                answer = await page.get(f"/api/runs/{RUN}/files/{name}")
                assert answer.content == (folder / name).read_bytes()
                assert len(answer.content) == size
                assert answer.headers["content-disposition"].startswith("attachment")

    run(work())


async def lines_of(answer: httpx.Response, count: int) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    async for line in answer.aiter_lines():
        if line.startswith("data: "):
            found.append(json.loads(line.removeprefix("data: ")))
            if len(found) == count:
                break
    return found


def test_a_page_is_told_what_is_now_and_then_what_happens(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page:
            await until(lambda: page.feed.heard)
            async with page.client.stream("GET", "/api/stream") as answer:
                assert answer.headers["content-type"].startswith("text/event-stream")
                assert answer.headers["x-accel-buffering"] == "no"
                assert "content-encoding" not in answer.headers
                told = asyncio.create_task(lines_of(answer, 60))
                await until(lambda: page.sockets.did("status"))  # it is asked whether the worker is there
                for number in range(80):
                    page.feed.tell({"kind": "sample", "bay": "left", "run": RUN, "seq": number})
                    await asyncio.sleep(0)
                found = await told
            assert found[0]["kind"] == "now"
            assert found[0]["bays"]["left"]["state"]["stand"] == "idle"
            assert found[0]["bays"]["right"] == {"state": None, "sample": None}
            samples = [one["seq"] for one in found if one["kind"] == "sample"]
            assert samples == list(range(len(samples)))

    run(work())


def test_a_sign_of_life_comes_though_nothing_happens(tmp_path: Path) -> None:
    async def work() -> None:
        async with page_on(tmp_path) as page, page.client.stream("GET", "/api/stream") as answer:
            now, beat = await lines_of(answer, 2)
            assert (now["kind"], beat["kind"]) == ("now", "beat")
            assert beat["worker_age_s"] is not None
            assert beat["guardian"]["there"] is True

    run(work())


def test_a_page_that_must_not_be_served_is_not_and_says_why(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It refuses to be reached from elsewhere without tokens; whatever else the front shows goes on."""

    async def work() -> None:
        text = f'{BENCH}[page]\nat = "0.0.0.0:8640"\n'
        path = tmp_path / "bench.toml"
        await serve_page(read_bench(text, str(path)), path, tmp_path, tmp_path, FeedReader(tmp_path / "feed.sock"))

    run(work())
    said = capsys.readouterr().err
    assert "beyond this machine, without tokens" in said
    assert "the page is not served" in said


def test_a_port_that_is_taken_is_tried_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page_module, "AGAIN_S", 0.02)

    async def work() -> None:
        with socket.create_server(("127.0.0.1", 0)) as taken:
            port = taken.getsockname()[1]
            listening = asyncio.create_task(page_module.listening(f"127.0.0.1:{port}"))
            await asyncio.sleep(0.1)
            assert not listening.done()
        found = await listening
        assert found.getsockname()[1] == port
        found.close()

    run(work())
    assert capsys.readouterr().err.count("the page cannot listen at") == 1


def test_the_morning_s_report_is_made_once_and_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[tuple[object, ...]] = []
    start = asyncio.create_subprocess_exec

    async def counted(*command: Any, **more: Any) -> asyncio.subprocess.Process:
        made.append(command)
        return await start(*command, **more)

    monkeypatch.setattr(asyncio, "create_subprocess_exec", counted)
    monkeypatch.setattr(page_morning, "SOONEST_S", float("inf"))  # however slow this machine is: no second one is due

    async def work() -> None:
        async with page_on(tmp_path) as page:
            first, second = await asyncio.gather(page.get("/api/morning"), page.get("/api/morning"))
            assert first.json() == second.json()
            assert set(first.json()["bays"]) == {"left", "right"}
            assert (await page.get("/api/morning")).json() == first.json()
            assert len(made) == 1, "a report that is kept is not made again"

    run(work())
