"""docs/mqtt.md is tried out: its broker configuration, its access rules, its certificate and its STOP, as printed."""

import asyncio
import re
import shutil
import ssl
import subprocess
from pathlib import Path

import pytest

from benchwarden.daemon import clock
from benchwarden.daemon.bench import Mqtt, read_bench
from benchwarden.daemon.front.mqtt_login import PASSWORD, USER, login
from benchwarden.daemon.front.mqtt_stop import Gate
from benchwarden.daemon.front.mqtt_topics import REFUSED, Topics
from benchwarden.daemon.serving.messages import MESSAGES, AnswerMessage
from tests.broker import Broker, free_port, needs_mosquitto, until, watching
from tests.front_rig import Rig, state_of
from tests.needs import needs
from tests.test_mqtt_stop import Stoppable, answered, now

PAGE = (Path(__file__).parents[1] / "docs" / "mqtt.md").read_text("utf-8")
TOPIC = "benchwarden/bird-shed/left/stop"


def block(name: str) -> str:
    """Return the lines that the page prints after a mark."""
    _, _, rest = PAGE.partition(f"<!-- {name} -->\n\n")
    lines = []
    for line in rest.splitlines():
        if line and not line.startswith("    "):
            break
        lines.append(line.removeprefix("    "))
    return "\n".join(lines).strip() + "\n"


def settings() -> Mqtt:
    """Return the [mqtt] table that the page shows."""
    _, _, rest = PAGE.partition("    [mqtt]\n")
    table = "[mqtt]\n" + "\n".join(line.strip() for line in rest.partition("\n\n")[0].splitlines())
    text = "\n".join(
        [
            'name = "x"',
            table,
            '[[bay]]\nname = "left"\ncooling = "box"',
            'load = { at = "x", map = "x", sense = "pack connector", limits = '
            '{ voltage = "60 V", current = "1 A", power = "60 W" } }',
        ]
    )
    found = read_bench(text, "page").mqtt
    assert found
    return found


def shell(text: str, folder: Path) -> str:
    return subprocess.run(["bash", "-euc", text], cwd=folder, check=True, capture_output=True, text=True).stdout


@needs("mosquitto", "openssl")
@pytest.mark.realtime
def test_the_page_s_broker_keeps_viewers_from_stopping(tmp_path: Path) -> None:
    place = tmp_path / "etc"
    place.mkdir()
    shell(block("certificate").replace("broker.example", "localhost"), place)
    (place / "acl").write_text(block("acl"))
    for user in ("bird-shed", "viewer", "stopper"):
        new = [] if user != "bird-shed" else ["-c"]
        subprocess.run(["mosquitto_passwd", *new, "-b", str(place / "passwords"), user, f"{user}-pass"], check=True)
    port = free_port()
    conf = block("mosquitto.conf").replace("/etc/mosquitto/benchwarden", str(place)).replace("8883", str(port))
    secret = tmp_path / "mqtt-secret"
    secret.write_text("user = bird-shed\npassword = bird-shed-pass\n")
    secret.chmod(0o600)
    shutil.copy(place / "ca.crt", tmp_path / "ca.crt")
    mqtt = settings()
    mqtt = mqtt.model_copy(update={"url": mqtt.url.replace("broker.example:8883", f"localhost:{port}")})
    rig = Rig(tmp_path, port)
    rig.login = login(mqtt, tmp_path / "bench.toml", {})
    context = ssl.create_default_context(cafile=str(place / "ca.crt"))

    async def work() -> None:
        broker = Broker(tmp_path, conf, port).start()
        stoppable = Stoppable(rig)
        viewer = watching(port, host="localhost", tls_context=context, username="viewer", password="viewer-pass")
        stopper = watching(port, host="localhost", tls_context=context, username="stopper", password="stopper-pass")
        try:
            async with stoppable.served(), rig.running(), viewer as views, stopper as stops:
                await until(lambda: views.of("left/state"))
                await views.publish(TOPIC, now("by-viewer"))  # no error here: 3.1.1 has no word for it
                await stops.publish(TOPIC.replace("stop", "start"), now("by-stopper"))
                await stops.publish("benchwarden/bird-shed/left/state", state_of("left", stand="idle"))
                await stops.publish(TOPIC, now("by-stopper"))
                for watcher in (views, stops):
                    assert (await answered(watcher, "by-stopper")).off is True
                assert stoppable.asked == [{"do": "stop", "bay": "left"}]
                assert {one["nonce"] for one in views.of("stop/answer")} == {"by-stopper"}
                assert {one["stand"] for one in views.of("left/state")} == {"running"}
        finally:
            broker.kill()

    asyncio.run(work())


@needs_mosquitto
@pytest.mark.realtime
def test_a_wrong_password_is_said_and_changes_nothing_else(tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-c", "-b", str(passwords), "bird-shed", "right"], check=True)
    port = free_port()
    conf = f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\n"
    rig = Rig(tmp_path, port)
    environment = {USER: "bird-shed", PASSWORD: "wrong-password"}
    rig.login = login(Mqtt(url=f"mqtt://127.0.0.1:{port}"), tmp_path / "bench.toml", environment)

    async def work() -> None:
        broker = Broker(tmp_path, conf, port).start()
        try:
            async with rig.running():
                rig.told("started")
                await until(lambda: rig.said)
        finally:
            broker.kill()

    asyncio.run(work())
    [said] = rig.said
    assert said.startswith(f"mqtt: broker 127.0.0.1:{port}: ")
    assert "uthori" in said
    assert "wrong-password" not in said + repr(rig.login)


def test_the_page_s_stop_is_one() -> None:
    text = block("stop")
    payload = re.search(r'-m (".*")', text)
    assert payload
    made = shell(f"{text.splitlines()[0]}\nprintf %s {payload[1]}", Path("/"))
    assert len(Gate().judge(made.encode(), retained=False, unix_s=clock.unix_s())) == 16


def test_the_page_shows_an_answer_that_is_one() -> None:
    found = re.search(r'\{"kind":"answer".*?\}\}\}', PAGE, re.DOTALL)
    assert found
    shown = re.sub(r"\n\s+", "", found[0]).replace("…", "abcdefgh")
    assert AnswerMessage.model_validate_json(shown).off is True


def test_every_topic_and_command_of_the_page_is_there() -> None:
    topics = Topics.of("Bird Shed", ["left"])
    named = {one.replace("<bench>", "bird-shed").replace("<bay>", "left") for one in re.findall(r"\| `(\S+)` \|", PAGE)}
    kinds = {str(model.model_fields["kind"].default) for model in MESSAGES} - {"status", "answer"}
    assert named == {topics.status, topics.answer("left"), *(topics.of_bay("left", kind) for kind in kinds)}


def test_the_page_names_every_word_that_is_refused() -> None:
    assert tuple(block("refused").split()) == REFUSED
