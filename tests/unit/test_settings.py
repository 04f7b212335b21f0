"""Configuration: each kind of mistake gives the message that helps, all of them at once, and no secret ever shows."""

import dataclasses
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Never

import pytest

from fillguard.core.errors import ConfigurationError
from fillguard.core.fitness.asked import governing_cylinder
from fillguard.core.rules import Extents, WhipRules
from fillguard.core.units import STANDARD_ATMOSPHERE_PA, k_from_c
from fillguard.core.values import GasMix, Profile
from fillguard.ports import Route
from fillguard.settings import ConfigurationProblems, Settings, check_config, load_settings
from fillguard.settings.station import ExtentsSection

EXAMPLE = Path(__file__).resolve().parents[2] / "config"

STATION = """
[station]
id = "tern"
name = "Tern Harbour"
hot_allowance_bar = "full"
"""
WHIP = """
[[whip]]
id = "1"
max_working_bar = 350
lowest_rating_bar = 200
"""
GOOD = STATION + WHIP


def written(folder: Path, station: str = GOOD, **other: str) -> Path:
    """A configuration folder; `cylinders="..."` writes cylinders.csv, `alarms="..."` alarms.toml."""
    (folder / "station.toml").write_text(station, encoding="utf-8")
    for name, text in other.items():
        (folder / f"{name}.{'csv' if name == 'cylinders' else 'toml'}").write_text(text, encoding="utf-8")
    return folder


def messages(folder: Path, environ: Mapping[str, str] | None = None) -> list[str]:
    return [str(problem) for problem in check_config(folder, environ or {})]


def no_surface(mix: GasMix) -> Never:
    raise AssertionError(f"nobody asked for {mix}")


# What holds without a configuration ----------------------------------------------------------------------------------


def test_without_a_configuration_the_published_defaults_hold() -> None:
    settings = load_settings(None, {})
    rules = settings.rules(no_surface)
    whip = rules.whip("any")
    assert (whip.max_working_gauge_pa, whip.lowest_rating_gauge_pa) == (350e5, 200e5)
    assert whip.lowest_rating_reference_k == pytest.approx(k_from_c(15.0))
    assert rules.hot_allowance_pa is None
    assert rules.alarms["too-fast"].setpoint == pytest.approx(30e5 / 60)
    assert rules.extents == Extents()
    assert rules.ambient_abs_pa == pytest.approx(STANDARD_ATMOSPHERE_PA)
    assert rules.ambient_k == pytest.approx(293.15)
    assert (settings.channels, settings.influx, settings.feeds, len(settings.register)) == ((), None, (), 0)
    assert settings.register.record("TH-0042") is None


def test_each_extent_can_be_set_and_its_default_is_that_of_the_core() -> None:
    assert ExtentsSection().extents() == Extents()
    assert len(ExtentsSection.model_fields) == len(dataclasses.fields(Extents))


# The example ---------------------------------------------------------------------------------------------------------


def test_the_example_configuration_loads_clean() -> None:
    assert check_config(EXAMPLE, {}) == []
    settings = load_settings(EXAMPLE, {})
    assert settings.station.id == "tern"
    assert sorted(settings.whips) == ["1", "2", "3", "4"]
    record = settings.register.record("TH-0042")
    assert record is not None
    cylinder = governing_cylinder(record, settings.fitness)
    assert cylinder is not None
    assert cylinder.profile is Profile.US


def test_the_example_loads_clean_with_every_commented_key_switched_on(tmp_path: Path) -> None:
    text = (EXAMPLE / "station.toml").read_text(encoding="utf-8")
    for name in re.findall(r'"([\w.-]+\.(?:password|token|url|pem|key|secret))"', text):
        (tmp_path / name).write_text("json://127.0.0.1/notices\n", encoding="utf-8")
    switched_on = re.sub(r"^#(?=\[|[a-z_]+ = )", "", text, flags=re.MULTILINE)
    environ = {"WORKSHOP_URL": "json://127.0.0.1/workshop"}
    assert messages(written(tmp_path, switched_on), environ) == []
    settings = load_settings(tmp_path, environ)
    assert [channel.name for channel in settings.channels] == ["duty-phone", "manager", "workshop"]
    assert settings.extents == Extents()


# Each kind of mistake ------------------------------------------------------------------------------------------------

MISTAKES = {
    "an unknown key gets the nearest known one, and its value is not shown": (
        GOOD + '[broker]\nhots = "hunter2"\n',
        "station.toml: [broker] hots: unknown key; did you mean host?",
    ),
    "an unknown key far from all others gets the list": (
        GOOD + "[ledger]\nzzz = 1\n",
        "station.toml: [ledger] zzz: unknown key; known are anchor_channel, path, raw_retention_days",
    ),
    "a link needs to know where it leads": (
        GOOD + '[http]\nport = 9465\nlink_secret_env = "X"\n',
        "station.toml: [http]: links need both: base_url, and a secret (link_secret_file or link_secret_env)",
    ),
    "one secret for links, not two": (
        GOOD + '[http]\nport = 9465\nbase_url = "http://h"\nlink_secret_env = "X"\nlink_secret_file = "y"\n',
        "station.toml: [http]: give link_secret_file or link_secret_env, not both",
    ),
    "a variable for the secret of links that is not set": (
        GOOD + '[http]\nport = 9465\nbase_url = "http://h"\nlink_secret_env = "X"\n',
        "station.toml: [http] link_secret_env: the environment variable that it names is not set",
    ),
    "a server that links lead to holds no password": (
        GOOD + '[http]\nport = 9465\nbase_url = "http://u:hunter2@h"\nlink_secret_env = "X"\n',
        (
            "station.toml: [http] base_url = (not shown): allowed: how people reach this server: http:// or https:// "
            "with host, no user"
        ),
    ),
    "a port for machines that look": (
        GOOD + '[http]\nhost = "127.0.0.1"\n',
        "station.toml: [http] port: is missing; allowed: a number from 1 to 65535 ",
    ),
    "a line for a channel that does not exist": (
        GOOD + '[ledger]\nanchor_channel = "work"\n[[channel]]\nname = "workshop"\nurl = "json://127.0.0.1"\n',
        'station.toml: [ledger] anchor_channel = "work": did you mean workshop?',
    ),
    "an unknown table gets the nearest known one": (
        GOOD + "[brokr]\n",
        "station.toml: [brokr]: unknown table; did you mean broker?",
    ),
    "the hot allowance has no silent default": (
        GOOD.replace('hot_allowance_bar = "full"\n', ""),
        (
            'station.toml: [station] hot_allowance_bar: is missing; allowed: "full" (only the other caps '
            "count), 0 (the gauge "
            "never above the stamp) or a number up to 100 bar (1450 psi) by which the gauge may stand over "
            "the rating while "
            "the gas is hot; the shop must choose, there is no default"
        ),
    ),
    "a hot allowance below zero is refused with its own key": (
        GOOD.replace('hot_allowance_bar = "full"', "hot_allowance_psi = -5"),
        (
            'station.toml: [station] hot_allowance_psi = -5: allowed: "full" (only the other caps count), 0 '
            "(the gauge never "
            "above the stamp) or a number up to 100 bar (1450 psi) by which the gauge may stand over the "
            "rating while the gas "
            "is hot; the shop must choose, there is no default"
        ),
    ),
    "a number out of range is quoted with the range": (
        GOOD + "[extents]\npaused_after_s = 1000\n",
        "station.toml: [extents] paused_after_s = 1000: allowed: a number from 3 to 120 seconds",
    ),
    "psi written as bar is recognised": (
        GOOD.replace("max_working_bar = 350", "max_working_bar = 5000"),
        (
            'station.toml: [[whip]] "1" max_working_bar = 5000: allowed: a number from 50 to 700 bar gauge; '
            "did you mean "
            "max_working_psi?"
        ),
    ),
    "bar written as psi is recognised": (
        GOOD.replace("max_working_bar = 350", "max_working_psi = 350"),
        (
            'station.toml: [[whip]] "1" max_working_psi = 350: allowed: a number from 725.19 to 10153 psi '
            "gauge; did you mean "
            "max_working_bar?"
        ),
    ),
    "Fahrenheit written as Celsius is recognised": (
        GOOD.replace("lowest_rating_bar = 200", "lowest_rating_bar = 200\nlowest_rating_reference_c = 70"),
        (
            'station.toml: [[whip]] "1" lowest_rating_reference_c = 70: allowed: a number from 0 to 40 '
            "degrees C; did you "
            "mean lowest_rating_reference_f?"
        ),
    ),
    "the same thing twice in two units is refused": (
        GOOD.replace("max_working_bar = 350", "max_working_bar = 350\nmax_working_psi = 5000"),
        'station.toml: [[whip]] "1" max_working_psi = 5000: max_working_bar says the same: keep one of the two',
    ),
    "a number in quotes is refused": (
        GOOD + '[broker]\nport = "1883"\n',
        'station.toml: [broker] port = "1883": allowed: a number from 1 to 65535 (left out: 1883, with tls 8883)',
    ),
    "not-a-number is no number": (
        GOOD + "[extents]\nlive_for_s = nan\n",
        "station.toml: [extents] live_for_s = nan: allowed: a number from 1 to 60 seconds",
    ),
    "true is no number": (
        GOOD + "[extents]\nlive_for_s = true\n",
        "station.toml: [extents] live_for_s = true: allowed: a number from 1 to 60 seconds",
    ),
    "a bare number where text is wanted is offered in quotes": (
        GOOD.replace('id = "tern"', "id = 7"),
        (
            "station.toml: [station] id = 7: allowed: 1 to 32 letters, digits, - and _, starting with a "
            "letter or digit: it "
            'stands in topics and record names; write it in quotes: "7"'
        ),
    ),
    "a station id that would break a topic is refused": (
        GOOD.replace('id = "tern"', 'id = "tern/harbour"'),
        (
            'station.toml: [station] id = "tern/harbour": allowed: 1 to 32 letters, digits, - and _, '
            "starting with a letter "
            "or digit: it stands in topics and record names"
        ),
    ),
    "a choice names its choices": (
        GOOD + '[broker]\nversion = "3.1"\n',
        'station.toml: [broker] version = "3.1": allowed: "auto", "5" or "3.1.1", in quotes',
    ),
    "an unknown time zone is refused": (
        GOOD.replace("[station]", '[station]\ntimezone = "Mars/Olympus"'),
        (
            'station.toml: [station] timezone = "Mars/Olympus": allowed: a name from the time zone list, '
            'such as "UTC" or '
            '"Europe/Oslo"'
        ),
    ),
    "an oxygen threshold in per cent is refused": (
        GOOD.replace("[station]", "[station]\noxygen_threshold = 23.5"),
        (
            "station.toml: [station] oxygen_threshold = 23.5: allowed: a number from 0.21 to 0.4 (a "
            "fraction: 0.235 is 23.5 % "
            "oxygen)"
        ),
    ),
    "a station without whips is refused": (
        STATION,
        "station.toml: has no [[whip]]: enter each fill whip with what its stamp allows",
    ),
    "a whip without its stamps is refused": (
        GOOD.replace("max_working_bar = 350\n", ""),
        'station.toml: [[whip]] "1" max_working_bar: is missing; allowed: a number from 50 to 700 bar gauge',
    ),
    "a whip without a name is called by its number": (
        GOOD + WHIP.replace('id = "1"\n', ""),
        (
            'station.toml: [[whip]] "no. 2" id: is missing; allowed: 1 to 32 letters, digits, - and _, '
            "starting with a letter "
            "or digit: it stands in topics and record names"
        ),
    ),
    "two whips of one name are refused": (
        GOOD + WHIP,
        'station.toml: [[whip]] "1" id = "1": another [[whip]] has it already: each needs its own',
    ),
    "a cylinder rating above the whip's own is refused": (
        GOOD.replace("max_working_bar = 350", "max_working_bar = 150"),
        (
            'station.toml: [[whip]] "1": the lowest cylinder rating (200 bar) is above what the whip itself '
            "may carry "
            "(150 bar): read both stamps again"
        ),
    ),
    "single brackets where there may be several are explained": (
        STATION + WHIP.replace("[[whip]]", "[whip]"),
        "station.toml: [whip]: there may be several: write [[whip]] with double brackets above the keys of each whip",
    ),
    "double brackets where there is one are explained": (
        GOOD + "[[broker]]\nport = 1883\n",
        "station.toml: [broker]: there is one broker: write [broker] with single brackets above its keys",
    ),
    "extents out of order are refused": (
        GOOD + "[extents]\nended_after_s = 60\n",
        (
            "station.toml: [extents]: a fill pauses, closes, ends in this order: paused_after_s (10) < "
            "closed_after_s (120) <= "
            "ended_after_s (60) does not hold"
        ),
    ),
    "broken TOML gives the place": (
        GOOD + "oops\n",
        "station.toml: is not valid TOML: Expected '=' after a key in a key/value pair (at line 11, column 5)",
    ),
    "a channel without an address is refused": (
        GOOD + '[[channel]]\nname = "phone"\n',
        'station.toml: [[channel]] "phone": give exactly one of url, url_file, url_env',
    ),
    "a channel with two addresses is refused": (
        GOOD + '[[channel]]\nname = "phone"\nurl = "json://h"\nurl_env = "X"\n',
        'station.toml: [[channel]] "phone": give exactly one of url, url_file, url_env',
    ),
    "a channel for an unknown whip is refused": (
        GOOD + '[[channel]]\nname = "phone"\nurl = "json://h"\nwhips = ["11"]\n',
        'station.toml: [[channel]] "phone" whips = "11": did you mean 1?',
    ),
    "a channel for an unknown priority is refused": (
        GOOD + '[[channel]]\nname = "phone"\nurl = "json://h"\npriorities = [0]\n',
        'station.toml: [[channel]] "phone" priorities = [...]: allowed: a list of 1, 2, 3 or some of them',
    ),
    "a channel whose environment variable is not set is refused": (
        GOOD + '[[channel]]\nname = "phone"\nurl_env = "PHONE_URL"\n',
        'station.toml: [[channel]] "phone" url_env: the environment variable that it names is not set',
    ),
    "a password file that is not there is refused without its name": (
        GOOD + '[broker]\nuser = "fg"\npassword_file = "hunter2"\n',
        (
            "station.toml: [broker] password_file: the file that it names cannot be read (No such file or "
            "directory); a "
            "relative path counts from this file's folder"
        ),
    ),
    "a password without a user is refused": (
        GOOD + '[broker]\npassword_file = "hunter2"\n',
        "station.toml: [broker]: password_file is given without user: give both or none",
    ),
    "half a client certificate is refused": (
        GOOD + '[broker]\ntls = true\ntls_cert_file = "client.pem"\n',
        "station.toml: [broker]: tls_cert_file and tls_key_file belong together: give both or none",
    ),
    "certificates without TLS are refused": (
        GOOD + '[broker]\ntls_ca_file = "ca.pem"\n',
        (
            "station.toml: [broker]: certificates are given but tls is not true: without it the password "
            "goes over the wire "
            "in clear"
        ),
    ),
    "a certificate that is not there is refused": (
        GOOD + '[broker]\ntls = true\ntls_ca_file = "ca.pem"\n',
        (
            'station.toml: [broker] tls_ca_file = "ca.pem": there is no such file; a relative path counts '
            "from the folder of "
            "station.toml"
        ),
    ),
    "a mirror with a password in its address is refused without showing it": (
        GOOD + '[influx]\nurl = "http://u:hunter2@h:8086"\norg = "o"\nbucket = "b"\ntoken_file = "t"\n',
        (
            "station.toml: [influx] url = (not shown): allowed: http:// or https:// with host and port; no "
            "user or password: "
            "the token goes into token_file"
        ),
    ),
}


@pytest.mark.parametrize(("station", "message"), MISTAKES.values(), ids=MISTAKES)
def test_a_mistake_gives_the_message_that_helps(tmp_path: Path, station: str, message: str) -> None:
    assert messages(written(tmp_path, station)) == [message]


def test_all_problems_of_all_files_and_the_environment_come_at_once(tmp_path: Path) -> None:
    folder = written(
        tmp_path,
        GOOD.replace('id = "tern"', "id = 7") + "[broker]\nport = 0\n[ledger]\npth = 'x'\n",
        alarms="[overfil]\npriority = 1\n",
        cylinders="serial,water_capacity_l\nTH-0042,12\n",
    )
    with pytest.raises(ConfigurationProblems) as raised:
        load_settings(folder, {"FILLGUARD_BROKER__TLS": "perhaps"})
    text = str(raised.value)
    assert isinstance(raised.value, ConfigurationError)
    assert text.startswith("8 problems in the configuration:\n  ")
    assert len(raised.value.errors) == 8
    expected = (
        "alarms.toml: [overfil]: unknown alarm; did you mean overfill?",
        "cylinders.csv: row 1: column material is missing",
        "cylinders.csv: row 1: column rated_bar or rated_psi or rated_pressure is missing",
        "cylinders.csv: row 1: column reference_c or reference_f is missing",
        "station.toml: [station] id = 7: allowed:",
        "station.toml: [broker] port = 0: allowed:",
        'environment: FILLGUARD_BROKER__TLS = "perhaps": allowed: true or false',
        "station.toml: [ledger] pth: unknown key; did you mean path?",
    )
    assert [line for line in expected if line not in text] == []


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    (problem,) = check_config(tmp_path / "nowhere", {})
    assert str(problem).endswith("nowhere: is not a folder: name the folder that holds station.toml")


def test_a_folder_without_a_station_is_refused(tmp_path: Path) -> None:
    assert messages(tmp_path) == ["station.toml: cannot be read: No such file or directory"]


def test_a_file_in_another_encoding_is_refused(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_bytes('name = "Häfen"'.encode("latin-1"))
    assert messages(tmp_path) == ["station.toml: is not UTF-8 text (byte 9): save it with that encoding"]


def test_a_file_that_is_far_too_large_is_not_read(tmp_path: Path) -> None:
    with (tmp_path / "station.toml").open("wb") as file:
        file.truncate(17 * 2**20)
    assert messages(tmp_path) == ["station.toml: is larger than 16 MB: this is not the right file"]


@pytest.mark.parametrize("slip", ["alarm.toml", "Alarms.toml", "cylinder.csv"])
def test_a_file_with_nearly_the_right_name_is_not_passed_over_in_silence(tmp_path: Path, slip: str) -> None:
    (written(tmp_path) / slip).write_text("", encoding="utf-8")
    (message,) = messages(tmp_path)
    assert message.startswith(f"{slip}: is not read; did you mean ")


# The environment -----------------------------------------------------------------------------------------------------


def test_the_environment_overrides_what_the_file_says(tmp_path: Path) -> None:
    environ = {
        "FILLGUARD_BROKER__PORT": "8883",
        "FILLGUARD_BROKER__HOST": "broker.example",
        "FILLGUARD_BROKER__VERSION": "5",
        "FILLGUARD_BROKER__TLS": "true",
        "FILLGUARD_STATION__ID": "7",
        "FILLGUARD_STATION__HOT_ALLOWANCE_PSI": "100",
        "FILLGUARD_EXTENTS__CLOSED_AFTER_S": "60",
        "FILLGUARD_SCALED_CLOCK": "none of the configuration's",
        "PATH": "/bin",
    }
    settings = load_settings(written(tmp_path, GOOD + '[broker]\nhost = "h"\nport = 1\n'), environ)
    assert (settings.broker.host, settings.broker.port, settings.broker.version) == ("broker.example", 8883, "5")
    assert settings.broker.tls is not None
    assert settings.station.id == "7"
    assert settings.station.hot_allowance_pa == pytest.approx(100 * 6894.757)
    assert settings.extents.closed_after_s == 60


OVERRIDE_MISTAKES = {
    "a wrong value names the variable": (
        {"FILLGUARD_BROKER__PORT": "mqtt"},
        (
            'environment: FILLGUARD_BROKER__PORT = "mqtt": allowed: a number from 1 to 65535 (left out: '
            "1883, with tls 8883)"
        ),
    ),
    "an unknown key names the variable and hides the value": (
        {"FILLGUARD_BROKER__PASSWORD": "hunter2"},
        "environment: FILLGUARD_BROKER__PASSWORD: unknown key; did you mean password_file?",
    ),
    "an unknown section gets the nearest": (
        {"FILLGUARD_BROKR__PORT": "1"},
        "environment: FILLGUARD_BROKR__PORT: unknown section; did you mean FILLGUARD_BROKER__...?",
    ),
    "a single underscore is explained": (
        {"FILLGUARD_BROKER_PORT": "1"},
        (
            "environment: FILLGUARD_BROKER_PORT: two underscores stand between section and key: did you mean "
            "FILLGUARD_BROKER__PORT?"
        ),
    ),
}


@pytest.mark.parametrize(("environ", "message"), OVERRIDE_MISTAKES.values(), ids=OVERRIDE_MISTAKES)
def test_a_wrong_override_gives_the_message_that_helps(tmp_path: Path, environ: dict[str, str], message: str) -> None:
    assert messages(written(tmp_path), environ) == [message]


# Units and defaults that depend on other parts -----------------------------------------------------------------------


def test_psi_and_fahrenheit_reach_the_rules_in_si(tmp_path: Path) -> None:
    whip = '\n[[whip]]\nid = "2"\nmax_working_psi = 5000\nlowest_rating_psi = 2400\nlowest_rating_reference_f = 70\n'
    rules = load_settings(written(tmp_path, GOOD + whip), {}).whips["2"]
    assert rules.max_working_gauge_pa == pytest.approx(5000 * 6894.757293168361)
    assert rules.lowest_rating_gauge_pa == pytest.approx(2400 * 6894.757293168361)
    assert rules.lowest_rating_reference_k == pytest.approx(294.261, abs=1e-3)


@pytest.mark.parametrize(("profile", "reference_c"), [("eu", 15.0), ("us", 21.1)])
def test_a_nameless_cylinder_is_rated_where_the_profile_says(tmp_path: Path, profile: str, reference_c: float) -> None:
    settings = load_settings(written(tmp_path, GOOD.replace("[station]", f'[station]\nprofile = "{profile}"')), {})
    whip = WhipRules(whip="1", lowest_rating_reference_k=k_from_c(reference_c))
    assert settings.whips == {"1": whip}


def test_zero_hot_allowance_is_not_the_same_as_full(tmp_path: Path) -> None:
    settings = load_settings(written(tmp_path, GOOD.replace('"full"', "0")), {})
    assert settings.rules(no_surface).hot_allowance_pa == 0.0


def test_the_ledger_lies_beside_the_configuration_unless_the_path_is_absolute(tmp_path: Path) -> None:
    assert load_settings(written(tmp_path), {}).ledger.path == tmp_path / "ledger.sqlite3"
    elsewhere = load_settings(
        written(tmp_path, GOOD + '[ledger]\npath = "/srv/fills.db"\nraw_retention_days = 2\n'), {}
    )
    assert (elsewhere.ledger.path, elsewhere.ledger.raw_retention_s) == (Path("/srv/fills.db"), 172_800.0)


def test_nothing_listens_unless_it_is_asked_for(tmp_path: Path) -> None:
    assert load_settings(written(tmp_path), {}).http is None
    http = load_settings(written(tmp_path, GOOD + "[http]\nport = 9465\n"), {}).http
    assert http is not None
    assert (http.host, http.port, http.links) == ("127.0.0.1", 9465, None)


def test_a_secret_for_links_that_can_be_guessed_is_refused(tmp_path: Path) -> None:
    station = GOOD + '[http]\nport = 9465\nbase_url = "http://h"\nlink_secret_file = "link.secret"\n'
    folder = written(tmp_path, station)
    (folder / "link.secret").write_text("hunter2\n")
    (told,) = messages(folder)
    assert "the secret is shorter than 16 characters" in told
    assert "hunter2" not in told
    (folder / "link.secret").write_text("hunter2-hunter2-hunter2\n")
    settings = load_settings(folder, {})
    assert settings.http is not None
    assert settings.http.links is not None
    assert settings.http.links.last_s == 3600.0
    assert "hunter2" not in repr(settings) + settings.text


# Secrets -------------------------------------------------------------------------------------------------------------


def with_secrets(folder: Path) -> Settings:
    """Four secrets, each `hunter2`-something, from every kind of place."""
    for name in ("broker.password", "influx.token", "pager.url"):
        (folder / name).write_text(f"json://hunter2-{name}\n", encoding="utf-8")
    station = (
        GOOD
        + '[broker]\nuser = "fg"\npassword_file = "broker.password"\n'
        + '[influx]\nurl = "http://127.0.0.1:8086"\norg = "o"\nbucket = "b"\ntoken_file = "influx.token"\n'
        + '[[channel]]\nname = "inline"\nurl = "json://u:hunter2-inline@h"\n'
        + '[[channel]]\nname = "file"\nurl_file = "pager.url"\nwhips = ["1"]\npriorities = [1]\ndeadline_s = 4\n'
        + '[[channel]]\nname = "variable"\nurl_env = "PAGER"\n'
    )
    return load_settings(written(folder, station), {"PAGER": "json://hunter2-variable"})


def test_secrets_arrive_where_they_are_used(tmp_path: Path) -> None:
    settings = with_secrets(tmp_path)
    assert settings.influx is not None
    assert settings.broker.password is not None
    assert settings.broker.password.get_secret_value() == "json://hunter2-broker.password"
    assert settings.influx.token.get_secret_value() == "json://hunter2-influx.token"
    assert [channel.url.get_secret_value() for channel in settings.channels] == [
        "json://u:hunter2-inline@h",
        "json://hunter2-pager.url",
        "json://hunter2-variable",
    ]
    inline, file, _ = settings.routes
    assert inline == Route(channel="inline", priorities=frozenset({1, 2}), whips=None)
    assert file == Route(channel="file", priorities=frozenset({1}), whips=frozenset({"1"}))
    assert settings.channels[1].deadline_s == 4.0


def test_no_secret_shows_in_what_is_printed_or_recorded(tmp_path: Path) -> None:
    settings = with_secrets(tmp_path)
    shown = [repr(settings), str(settings), settings.text, repr(settings.channels), str(settings.broker)]
    assert [text for text in shown if "hunter2" in text] == []


MISPLACED_SECRETS = {
    "an address of the wrong type": '[[channel]]\nname = "c"\nurl = ["json://hunter2"]\n',
    "an address without its scheme": '[[channel]]\nname = "c"\nurl = "hunter2"\n',
    "an address where its file should be": '[[channel]]\nname = "c"\nurl_file = "json://hunter2"\n',
    "an address where its variable should be": '[[channel]]\nname = "c"\nurl_env = "json://hunter2"\n',
    "a token where its file should be": (
        '[influx]\nurl = "http://h"\norg = "o"\nbucket = "b"\ntoken_file = "hunter2"\n'
    ),
    "a password under a wrong key": '[broker]\npasword = "hunter2"\n',
    "a password in the host": '[broker]\nhost = "mqtt://fg:hunter2@h"\n',
}


@pytest.mark.parametrize("tables", MISPLACED_SECRETS.values(), ids=MISPLACED_SECRETS)
def test_a_misplaced_secret_is_a_problem_that_does_not_show_it(tmp_path: Path, tables: str) -> None:
    problems = check_config(written(tmp_path, GOOD + tables), {})
    assert problems
    assert [problem for problem in problems if "hunter2" in f"{problem} {problem!r}"] == []


@pytest.mark.parametrize("content", ["", "one\ntwo\n"], ids=["an empty file", "two lines"])
def test_a_secret_is_one_line(tmp_path: Path, content: str) -> None:
    (tmp_path / "pw").write_text(content, encoding="utf-8")
    (message,) = messages(written(tmp_path, GOOD + '[broker]\nuser = "fg"\npassword_file = "pw"\n'))
    assert message.endswith("password_file: the file that it names must hold one line, the secret, and nothing else")


def test_a_secret_in_another_encoding_is_refused(tmp_path: Path) -> None:
    (tmp_path / "pw").write_bytes(b"\xff\xfe")
    (message,) = messages(written(tmp_path, GOOD + '[broker]\nuser = "fg"\npassword_file = "pw"\n'))
    assert message == "station.toml: [broker] password_file: the file that it names is not UTF-8 text"


# The record of what was in force -------------------------------------------------------------------------------------


def test_the_hash_is_that_of_the_recorded_text_and_stays_the_same(tmp_path: Path) -> None:
    first = load_settings(written(tmp_path), {})
    spaced = "# a comment\n" + GOOD.replace(" = ", "   =   ")
    again = load_settings(written(tmp_path, spaced), {})
    assert (first.text, first.hash) == (again.text, again.hash)
    assert re.fullmatch(r"[0-9a-f]{64}", first.hash)
    assert json.loads(first.text)["station"]["id"] == "tern"


@pytest.mark.parametrize(
    ("station", "environ"),
    [
        (GOOD.replace("350", "300"), {}),
        (GOOD.replace('"full"', "0"), {}),
        (GOOD, {"FILLGUARD_EXTENTS__REACTION_S": "4"}),
    ],
    ids=["another whip", "another allowance", "an override"],
)
def test_the_hash_changes_with_what_is_in_force(tmp_path: Path, station: str, environ: dict[str, str]) -> None:
    before = load_settings(written(tmp_path), {}).hash
    after = load_settings(written(tmp_path, station), environ)
    assert after.hash != before
    assert after.rules(no_surface).rules_hash == after.hash


def test_another_alarm_setpoint_changes_the_hash_and_another_secret_does_not(tmp_path: Path) -> None:
    channel = GOOD + '[[channel]]\nname = "c"\nurl = "json://one"\n'
    before = load_settings(written(tmp_path, channel), {}).hash
    assert load_settings(written(tmp_path, channel.replace("one", "two")), {}).hash == before
    alarms = (EXAMPLE / "alarms.toml").read_text(encoding="utf-8").replace("setpoint = 30\n", "setpoint = 25\n")
    changed = load_settings(written(tmp_path, channel, alarms=alarms), {})
    assert changed.alarms["too-fast"].setpoint == pytest.approx(25e5 / 60)
    assert changed.hash != before
