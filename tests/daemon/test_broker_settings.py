"""Certificates in [broker], and addresses of instruments at other nodes."""

from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from luggin.daemon.cli.main import main
from luggin.daemon.config import BrokerSettings
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt.dial import encryption


def settings(folder: Path, **fields: Any) -> BrokerSettings:
    return BrokerSettings.model_validate(fields, context={"directory": folder})


def test_certificate_and_key_count_from_the_configuration(tmp_path: Path) -> None:
    given = settings(tmp_path, url="mqtts://ada@broker.example", certificate_file="ada.pem", key_file="ada.key")
    endpoint = given.endpoint()
    assert (endpoint.certificate_file, endpoint.key_file) == (str(tmp_path / "ada.pem"), str(tmp_path / "ada.key"))
    assert endpoint.shared


def test_a_key_may_come_from_systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    (tmp_path / "broker-key").write_text("a key")
    given = settings(tmp_path, url="mqtts://ada@broker.example", certificate_file="ada.pem")
    assert given.endpoint().key_file == str(tmp_path / "broker-key")
    assert settings(tmp_path, url="mqtts://ada@broker.example").endpoint().key_file is None


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"url": "mqtts://broker.example", "key_file": "ada.key"}, "key_file without certificate_file; give both"),
        ({"url": "mqtt://broker.example", "certificate_file": "a.pem"}, "certificate_file need an encrypted"),
        ({"url": "mqtt://broker.example", "ca_file": "a.pem"}, "ca_file need an encrypted connection; write mqtts://"),
    ],
)
def test_certificates_that_would_not_be_used_are_errors(fields: dict[str, str], words: str, tmp_path: Path) -> None:
    with pytest.raises(ValidationError, match=words):
        settings(tmp_path, **fields)


def test_a_file_that_is_no_certificate_is_named(tmp_path: Path) -> None:
    (tmp_path / "not.pem").write_text("not a certificate")
    for wrong in (str(tmp_path / "not.pem"), str(tmp_path / "missing.pem")):
        with pytest.raises(OSError, match="ca_file") as caught:
            encryption(Endpoint("broker.example", 8883, encrypted=True, ca_file=wrong))
        assert caught.value.filename == wrong
        with pytest.raises(OSError, match="no pair") as caught:
            encryption(Endpoint("broker.example", 8883, encrypted=True, certificate_file=wrong))
        assert caught.value.filename == wrong


@pytest.mark.parametrize("address", ["/left", "bench/"])
def test_half_an_address_is_refused(address: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["stop", "-i", address]) == 2
    assert "NODE/INSTRUMENT" in capsys.readouterr().err


def test_two_nodes_are_one_too_many(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["stop", "-i", "bench/left", "--node", "other"]) == 2
    assert "no other --node" in capsys.readouterr().err
