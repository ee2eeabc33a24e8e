"""What a broker may let a bench do: in by its certificate only, and STOP kept from it, silently or aloud."""

import asyncio
import json
import shutil
import ssl
from pathlib import Path

import aiomqtt
import pytest

from benchwarden.daemon.bench import Mqtt
from benchwarden.daemon.front.mqtt_login import login
from benchwarden.daemon.front.mqtt_publisher import _code
from benchwarden.daemon.front.mqtt_topics import Topics
from tests.broker import Broker, free_port, needs_mosquitto, until, watching
from tests.front_rig import Rig
from tests.needs import needs
from tests.test_mqtt_page import block, shell
from tests.test_mqtt_stop import Stoppable, answered, now

BENCH = "benchwarden/bird-shed"
# Of Debian's package; asks of each subscription whether it is allowed, which mosquitto's own ACL file does not.
PLUGIN = next(Path("/usr/lib").glob("*/mosquitto_dynamic_security.so"), None)
pytestmark = pytest.mark.realtime


@needs("mosquitto", "openssl")
def test_a_bench_that_comes_with_its_certificate_publishes_and_is_stopped(tmp_path: Path) -> None:
    place = tmp_path / "etc"
    place.mkdir()
    shell(block("certificate").replace("broker.example", "localhost") + block("client certificate"), place)
    (place / "acl").write_text(block("acl"))
    (place / "bird-shed.key").chmod(0o600)
    for name in ("ca.crt", "bird-shed.crt", "bird-shed.key"):
        shutil.copy(place / name, tmp_path / name)
    port = free_port()
    conf = block("mosquitto.conf") + block("certificates only")
    conf = conf.replace("/etc/mosquitto/benchwarden", str(place)).replace("8883", str(port))
    conf = "".join(
        f"{line}\n" for line in conf.splitlines() if not line.startswith(("allow_anonymous", "password_file"))
    )
    rig = Rig(tmp_path, port)
    mqtt = Mqtt(
        url=f"mqtts://localhost:{port}",
        ca_file="ca.crt",
        certificate_file="bird-shed.crt",
        key_file="bird-shed.key",
    )
    rig.login = login(mqtt, tmp_path / "bench.toml", {})
    assert rig.login.user is None
    # The ACL's stopper, by name of the certificate alone.
    shell(block("client certificate").replace("bird-shed", "stopper"), place)
    context = ssl.create_default_context(cafile=str(place / "ca.crt"))
    context.load_cert_chain(place / "stopper.crt", place / "stopper.key")
    nobody = ssl.create_default_context(cafile=str(place / "ca.crt"))

    async def work() -> None:
        broker = Broker(tmp_path, conf, port).start()
        stoppable = Stoppable(rig)
        try:
            async with stoppable.served(), watching(port, host="localhost", tls_context=context) as stops:
                async with rig.running():
                    await until(lambda: stops.of("left/state"))
                    await stops.publish(f"{BENCH}/left/stop", now("by-certificate"))
                    assert (await answered(stops, "by-certificate")).off is True
            with pytest.raises(aiomqtt.MqttError):
                async with aiomqtt.Client("localhost", port, tls_context=nobody, timeout=10.0):
                    pass
        finally:
            broker.kill()

    asyncio.run(work())
    assert [text for text in rig.said if "STOP for" not in text] == []


@needs_mosquitto
def test_an_acl_without_stop_silences_it_and_the_bench_is_not_told(tmp_path: Path) -> None:
    """What docs/mqtt.md warns of: mosquitto grants the subscription, and brings nothing."""
    acl = tmp_path / "acl"
    acl.write_text(f"topic write {BENCH}/#\ntopic read benchwarden/+/+/event\n")
    port = free_port()
    conf = f"listener {port} 127.0.0.1\nallow_anonymous true\nacl_file {acl}\n"
    rig = Rig(tmp_path, port)

    async def work() -> None:
        broker = Broker(tmp_path, conf, port).start()
        stoppable = Stoppable(rig)
        try:
            async with stoppable.served(), watching(port) as seen, rig.running():
                rig.told("started")
                await until(lambda: seen.of("left/event"))
                async with aiomqtt.Client("127.0.0.1", port) as client:
                    topics = Topics.of("Bird Shed", ["left"]).heard()
                    granted = await client.subscribe([(topic, 1) for topic in topics])
                assert [_code(one) for one in granted] == [1, 1]
                await seen.publish(f"{BENCH}/left/stop", now("silenced-1"))  # acknowledged by the broker
                rig.told("step_began", step=1)
                await until(lambda: len(seen.of("left/event")) == 2)
            assert stoppable.asked == []
        finally:
            broker.kill()

    asyncio.run(work())
    assert rig.said == []


@needs_mosquitto
@pytest.mark.skipif(PLUGIN is None, reason="NOT TESTED: mosquitto's plugin for dynamic rights is not installed")
def test_a_broker_that_refuses_the_subscription_is_told_of(tmp_path: Path) -> None:
    rights = tmp_path / "rights.json"
    allowed = {"publishClientSend": True, "publishClientReceive": True, "subscribe": False, "unsubscribe": True}
    rights.write_text(json.dumps({"defaultACLAccess": allowed, "clients": [], "groups": [], "roles": []}))
    port = free_port()
    conf = f"listener {port} 127.0.0.1\nallow_anonymous true\nplugin {PLUGIN}\nplugin_opt_config_file {rights}\n"
    rig = Rig(tmp_path, port)

    async def work() -> None:
        broker = Broker(tmp_path, conf, port).start()
        try:
            async with rig.running():
                await until(lambda: rig.said)
        finally:
            broker.kill()

    asyncio.run(work())
    assert rig.said[0] == (
        f"mqtt: the broker lets nobody of this name listen to {BENCH}/stop, {BENCH}/+/stop: no STOP comes that way"
    )
