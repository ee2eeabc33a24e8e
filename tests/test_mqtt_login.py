"""How the broker is reached: secrets from the environment or a private file, and mistakes in words without them."""

import subprocess
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.bench import Mqtt
from benchwarden.daemon.front.mqtt_login import PASSWORD, USER, login
from benchwarden.profiles.mistakes import FileMistakes
from tests.shed import BENCHWARDEN, ENVIRONMENT

SECRET = "# who we are\nuser = heron\npassword = tide = out\n"


def private(path: Path, text: str, mode: int = 0o600) -> Path:
    path.write_text(text)
    path.chmod(mode)
    return path


@pytest.mark.parametrize(
    ("url", "host", "port"),
    [
        ("mqtt://127.0.0.1", "127.0.0.1", 1883),  # IANA, service "mqtt"
        ("mqtt://broker.example:2000", "broker.example", 2000),
    ],
)
def test_where_the_broker_is(tmp_path: Path, url: str, host: str, port: int) -> None:
    found = login(Mqtt(url=url), tmp_path / "bench.toml", {})
    assert (found.host, found.port, found.tls, found.user, found.password) == (host, port, None, None, None)
    assert bool(found.doubt) == (host != "127.0.0.1")


def test_tls_checks_certificate_and_name(tmp_path: Path) -> None:
    found = login(Mqtt(url="mqtts://broker.example"), tmp_path / "bench.toml", {})
    assert found.port == 8883  # IANA, service "secure-mqtt"
    assert found.tls
    assert found.tls.check_hostname
    assert found.doubt == ""


def test_secrets_come_from_a_private_file_and_the_environment_comes_first(tmp_path: Path) -> None:
    private(tmp_path / "secret", SECRET)
    mqtt = Mqtt(url="mqtt://localhost", secret_file="secret")
    found = login(mqtt, tmp_path / "bench.toml", {})
    assert (found.user, found.password) == ("heron", "tide = out")
    assert "tide" not in repr(found)
    found = login(mqtt, tmp_path / "bench.toml", {USER: "plover", PASSWORD: "ebb"})
    assert (found.user, found.password) == ("plover", "ebb")


@pytest.mark.parametrize(
    ("settings", "environment", "mode", "text", "why"),
    [
        ({"secret_file": "secret"}, {}, 0o640, SECRET, "others can read it (mode 0640); right would be 0600"),
        ({"secret_file": "nowhere"}, {}, 0o600, SECRET, "[mqtt] secret_file cannot be read"),
        ({"secret_file": "secret"}, {}, 0o600, "token = tide\n", "lines `user = …` and `password = …`"),
        ({"secret_file": "secret"}, {}, 0o600, "password = tide\n", "there is a password, but no user"),
        ({}, {PASSWORD: "tide"}, 0o600, "", "there is a password, but no user"),
        ({"ca_file": "secret"}, {}, 0o600, "", "right would be mqtts://"),
        ({"url": "mqtts://x", "ca_file": "secret"}, {}, 0o600, "tide", "ca_file is no certificate"),
        ({"url": "mqtts://x", "ca_file": "nowhere"}, {}, 0o600, "", "ca_file is no certificate"),
        ({"url": "mqtts://x", "certificate_file": "secret"}, {}, 0o600, "", "belong together"),
        (
            {"url": "mqtts://x", "certificate_file": "secret", "key_file": "secret"},
            {},
            0o644,
            "tide",
            "[mqtt] key_file holds secrets, and others can read it",
        ),
        ({"url": "mqtt://x:70000"}, {}, 0o600, "", "port 70000"),
    ],
)
def test_what_cannot_be_used_is_refused_without_the_secret(
    tmp_path: Path, settings: dict[str, Any], environment: dict[str, str], mode: int, text: str, why: str
) -> None:
    private(tmp_path / "secret", text, mode)
    mqtt = Mqtt(**{"url": "mqtt://localhost", **settings})
    with pytest.raises(FileMistakes) as refused:
        login(mqtt, tmp_path / "bench.toml", environment)
    [mistake] = refused.value.mistakes
    assert why in mistake
    assert "tide" not in mistake


def test_the_front_refuses_a_secret_that_others_can_read(tmp_path: Path) -> None:
    """As the guardian starts it: exit code 2, after which it is not started again."""
    private(tmp_path / "secret", SECRET, 0o644)
    bench = tmp_path / "bench.toml"
    bench.write_text(
        'name = "Bird Shed"\nsimulated = true\nmqtt = { url = "mqtt://localhost", secret_file = "secret" }\n'
        '[[bay]]\nname = "left"\ncooling = "box"\n[bay.load]\nat = "TCPIP::127.0.0.1::1::SOCKET"\n'
        'map = "load-function"\nsense = "pack connector"\n'
        'limits = { voltage = "60 V", current = "10 A", power = "60 W" }\n'
    )
    orders = f'{{"bench": "{bench}", "state": "{tmp_path}"}}'
    done = subprocess.run(
        [BENCHWARDEN[0], "-m", "benchwarden.daemon.front", orders],
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 2
    assert "right would be 0600" in done.stderr
    assert "tide" not in done.stderr
