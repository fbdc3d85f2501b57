"""The pages of the site: the state of its record and copies, its settings, its keys, the control of its devices."""

import re
from datetime import UTC, date, datetime, timedelta
from html import unescape
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.backups.queries import note_backup
from service.backups.workflow import back_up
from service.db.migrate import copy_sqlite
from service.db.transactions import now
from service.pages.site import _configured, backups_of
from service.settings import Settings
from tests.api.conftest import OWN_NORM

KEY = re.compile(r'<code class="secret">(ups_[\w-]+)</code>')


def words_of(text):
    """The words of a page or of a part of it."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", text)).split())


def part(text, heading):
    """The part of a page under a heading of this id."""
    return words_of(text.split(f'id="{heading}"')[1].split("</section>")[0])


@pytest.fixture
def chief(browser, admin_key):
    """A browser of an admin."""
    return browser(admin_key)


# --- who sees what ---------------------------------------------------------------------------------------------


@pytest.mark.sqlite_file
def test_a_reader_sees_the_state_and_an_admin_how_it_is_configured(browser, reader_key, chief, store):
    path = store.settings.sqlite_path
    read, whole = browser(reader_key).get("/site").text, chief.get("/site").text
    for text in (read, whole):
        assert 'href="/site" aria-current="page">Site</a>' in text
        assert "0 people, 0 visits, 0 tests" in part(text, "record")
        assert "the newest" in part(text, "record")
        assert "FRIEND 2015, treadmill" in part(text, "norms")
    assert path in whole
    assert path not in read
    for name in ("UPSLOPE_DATABASE_URL", "UPSLOPE_SESSION_HOURS"):
        assert name in whole.split('id="configuration"')[1]
        assert name not in read
    assert 'href="/site/keys"' not in read


@pytest.mark.parametrize("address", ["/site", "/site/devices", "/site/settings", "/site/keys"])
def test_a_key_limited_to_people_does_not_see_the_site(browser, store, make_key, laboratory, address):
    code = laboratory.subject()["code"]
    limited = browser(make_key(store, "limited", "tester", subject_codes=[code]))
    assert limited.get(address).status_code == 403
    assert "/site" not in limited.get("/people").text
    assert browser().get(address).headers["location"].startswith("/sign-in")


@pytest.mark.parametrize(
    ("address", "typed"),
    [
        ("/site/check", {}),
        ("/site/settings", {"revision": "0"}),
        ("/site/keys", {"name": "x", "scope": "admin"}),
        ("/site/keys/revocation", {"name": "tester"}),
        ("/site/keys/rotation", {"name": "tester"}),
    ],
)
def test_only_an_admin_changes_them(browser, tester_key, reader_key, send, client, address, typed):
    for key in (tester_key, reader_key):
        assert send(browser(key), "/site", typed, to=address).status_code == 403
    assert client.get("/v1/subjects").status_code == 200


def test_a_password_is_not_shown():
    settings = Settings(database_url="postgresql+psycopg://upslope:secret@db/upslope")
    shown = {one["name"]: one["value"] for one in _configured(settings)}
    assert shown["UPSLOPE_DATABASE_URL"] == "postgresql+psycopg://upslope:***@db/upslope"
    assert "secret" not in str(shown)


def test_what_the_site_made_its_own_is_listed(chief, admin):
    own_error = {"value": 3.4, "scale": "log", "df": 17.0, "n_pairs": 18, "source": "pairs of 2025, cycle"}
    pulse = own_error | {"value": 2.1, "scale": "linear", "n_pairs": 9}
    told = admin.patch(
        "/v1/site", json={"typical_errors": {"vo2_peak_ml_kg_min": own_error, "heart_rate_max_bpm": pulse}}
    )
    assert told.status_code == 200
    assert admin.post("/v1/norms", json=OWN_NORM).status_code == 201
    lenient = {
        "id": "lenient",
        "name": "The laboratory's own set",
        "source": "the laboratory",
        "criteria": [
            {
                "criterion": "respiratory_exchange_ratio",
                "thresholds": [{"threshold": 1.05}],
                "counts": True,
                "source": "the laboratory",
            },
            {
                "criterion": "blood_lactate",
                "thresholds": [{"threshold": 7.0}],
                "counts": True,
                "source": "the laboratory",
            },
        ],
        "criteria_needed": 2,
    }
    assert admin.post("/v1/effort-rule-sets", json=lenient).status_code == 201
    text = chief.get("/site").text
    errors = part(text, "errors")
    assert "Peak oxygen uptake per body mass 3.4 % 18 5 % own pairs of 2025, cycle" in errors
    assert "Maximal heart rate 2.1 beats/min 9 2.5 % published" in errors
    assert "The laboratory's own own_treadmill treadmill 30 to 49 invented the site no" in part(text, "norms")
    assert "The laboratory's own set lenient – 2 of 2 the site : the laboratory no" in part(text, "rules")
    form = chief.get("/site/settings").text
    assert '<option value="own_treadmill">' in form
    assert '<option value="lenient">' in form


# --- backup ----------------------------------------------------------------------------------------------------


def copied(store, path):
    """A copy made by hand, and noted."""
    begun_at = now()
    copy_sqlite(Path(store.settings.sqlite_path), path)
    with store.write("command line") as transaction:
        note_backup(transaction, path, begun_at)


@pytest.mark.sqlite_file
def test_a_record_without_a_copy_says_so(chief):
    assert "No copy of this record is known." in part(chief.get("/site").text, "backup")


@pytest.mark.sqlite_file
def test_the_last_copy_is_told_with_what_it_lacks(chief, store, tmp_path, laboratory):
    path = tmp_path / "copy.db"
    copied(store, path)
    told = part(chief.get("/site").text, "backup")
    assert "made by hand and checked then" in told
    assert "nothing has changed" in told
    assert f"{path} , still there" in told
    laboratory.visit(laboratory.subject()["id"])
    path.unlink()
    told = part(chief.get("/site").text, "backup")
    assert "2 changes that it lacks" in told
    assert "not there any more" in told


@pytest.mark.sqlite_file
def test_an_old_copy_is_a_warning(store, tmp_path):
    (tmp_path / "copy.db").write_bytes(b"a copy")
    with store.write("command line") as transaction:
        note_backup(transaction, tmp_path / "copy.db", datetime(2026, 1, 1, tzinfo=UTC))
    with store.read() as session:
        told = backups_of(session, store.settings)
    assert told.old
    assert told.at == datetime(2026, 1, 1, tzinfo=UTC)


@pytest.mark.sqlite_file
def test_copies_by_the_clock_count_too_and_a_late_one_is_told(make_store, tmp_path):
    folder = tmp_path / "copies"
    folder.mkdir()
    store = make_store(backup_folder=str(folder), backup_hours=24)
    copied(store, tmp_path / "copy.db")
    made = back_up(store.settings, folder)
    with store.read() as session:
        told = backups_of(session, store.settings)
    assert told.path in {made.path, tmp_path / "copy.db"}
    assert told.next_at == made.at + timedelta(hours=24)
    assert not told.late
    made.path.rename(folder / "upslope-20260101T000000Z.db")
    with store.read() as session:
        told = backups_of(session, store.settings)
    assert told.late
    assert told.by == "hand"


# --- the record checked ----------------------------------------------------------------------------------------


def test_the_record_is_checked_on_demand(chief, send, store):
    answer = send(chief, "/site", {}, to="/site/check")
    assert answer.status_code == 200
    assert words_of(answer.text).count(" yes ") >= 4
    assert "damaged" not in answer.text
    with store.write("test") as transaction:
        transaction.session.execute(sa.text("update change set actor = 'nobody'"))
    answer = send(chief, "/site", {}, to="/site/check")
    assert "audit chain NO broken at entry 1" in words_of(answer.text)
    assert "The record is damaged." in answer.text


# --- settings --------------------------------------------------------------------------------------------------


def test_settings_are_stored_shown_and_set_back(chief, send, laboratory):
    stored = send(
        chief,
        "/site/settings",
        {
            "peak_window_s": "20",
            "norm_treadmill": "friend_2022_treadmill",
            "norm_cycle": "-",
            "worthwhile_vo2_peak_ml_kg_min": "1.5",
            "retest_interval_days": "180",
        },
    )
    assert (stored.status_code, stored.headers["location"]) == (303, "/site/settings")
    told = laboratory.client.get("/v1/site").json()
    assert told["analysis"] == {"peak_window_s": 20.0}
    assert told["default_norms"] == {"treadmill": "friend_2022_treadmill", "cycle": None}
    assert told["smallest_worthwhile_change"] == {"vo2_peak_ml_kg_min": 1.5}
    assert told["retest_interval_days"] == 180
    shown = chief.get("/site").text
    assert "Window of the peak (s) 20 the site" in part(shown, "settings")
    assert "180 days after the last one" in part(shown, "settings")
    assert "Peak oxygen uptake per body mass: 1.5 mL/kg/min" in part(shown, "settings")
    form = chief.get("/site/settings").text
    assert re.search(r'name="peak_window_s"[^>]* value="20"', form)
    assert '<option value="-" selected>none</option>' in form
    # Sent as it stands, nothing is changed; emptied, it is the program's again.
    held = dict(
        re.findall(r'name="(peak_window_s|worthwhile_\w+|retest_interval_days)"[^>]* value="([^"]*)"', form)
    )
    norms = {"norm_treadmill": "friend_2022_treadmill", "norm_cycle": "-"}
    assert send(chief, "/site/settings", held | norms).status_code == 303
    assert laboratory.client.get("/v1/site").json() == told
    assert send(chief, "/site/settings", dict.fromkeys([*held, *norms], "")).status_code == 303
    assert laboratory.client.get("/v1/site").json() == told | {
        "revision": told["revision"] + 1,
        "analysis": {},
        "default_norms": {},
        "smallest_worthwhile_change": {},
        "retest_interval_days": None,
        "in_force": told["in_force"]
        | {
            "analysis": told["in_force"]["analysis"] | {"peak_window_s": 30.0},
            "default_norms": told["in_force"]["default_norms"]
            | {"treadmill": "friend_2015_treadmill", "cycle": "friend_2017_cycle"},
        },
    }


@pytest.mark.parametrize(
    ("typed", "name", "told"),
    [
        ({"peak_window_s": "0"}, "peak_window_s", "greater than or equal to 1"),
        ({"peak_window_s": "soon"}, "peak_window_s", "number"),
        ({"effort_rules": "nothing"}, "effort_rules", "one of"),
        ({"norm_cycle": "friend_2015_treadmill"}, "norm_cycle", "treadmill"),
        ({"retest_interval_days": "5000"}, "retest_interval_days", "3650"),
        ({"worthwhile_heart_rate_max_bpm": "-1"}, "worthwhile_heart_rate_max_bpm", "greater than 0"),
    ],
)
def test_settings_that_cannot_be_are_told_at_their_field(
    chief, send, at_field, laboratory, typed, name, told
):
    answer = send(chief, "/site/settings", {"retest_interval_days": "99"} | typed)
    assert answer.status_code == 422
    assert told in unescape(at_field(answer.text, name))
    assert typed.get("retest_interval_days", 'value="99"') in answer.text
    assert laboratory.client.get("/v1/site").json()["retest_interval_days"] is None


def test_settings_that_somebody_else_changed_are_not_overwritten(chief, admin, laboratory):
    text = chief.get("/site/settings").text.split("<main")[1]
    held = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', text))
    admin.patch("/v1/site", json={"retest_interval_days": 90})
    answer = chief.post("/site/settings", data=held | {"retest_interval_days": "30"})
    assert answer.status_code == 412
    assert "changed since you opened the form" in answer.text
    assert laboratory.client.get("/v1/site").json()["retest_interval_days"] == 90


def test_analyses_made_with_other_settings_are_counted(chief, send, laboratory):
    laboratory.complete(laboratory.visit(laboratory.subject()["id"])["id"])
    assert "made with other settings" not in chief.get("/site/settings").text
    assert send(chief, "/site/settings", {"peak_window_s": "20"}).status_code == 303
    assert "1 stored analyses were made with other settings" in words_of(chief.get("/site/settings").text)


# --- keys ------------------------------------------------------------------------------------------------------


def test_a_key_is_made_and_shown_once(chief, send, browser, laboratory):
    code = laboratory.subject()["code"]
    made = send(
        chief,
        "/site/keys",
        {
            "name": "front desk",
            "scope": "reader",
            "subject_codes": f"{code}\r\n",
            "identity": "true",
            "expires_on": "2099-05-31",
        },
    )
    assert made.status_code == 200
    (secret,) = KEY.findall(made.text)
    assert secret not in chief.get("/site/keys").text
    line = words_of(chief.get("/site/keys").text.split("front desk")[1].split("</tr>")[0])
    assert line.startswith(f"reader {code} yes never 2099-05-31 23:59")
    one = browser(secret)
    assert code in one.get("/people").text


@pytest.mark.parametrize(
    ("typed", "name", "told"),
    [
        ({"name": ""}, "name", "needed"),
        ({"name": "head of laboratory"}, "name", "taken"),
        ({"scope": ""}, "scope", "needed"),
        ({"scope": "king"}, "scope", "reader"),
        ({"scope": "admin", "subject_codes": "S-01"}, "subject_codes", "cannot be limited"),
        ({"subject_codes": "nobody"}, "subject_codes", "names no subject"),
        ({"expires_on": "2001-01-01"}, "expires_on", "past"),
        ({"expires_on": "soon"}, "expires_on", "must be a day"),
    ],
)
def test_a_key_that_cannot_be_is_told_at_its_field(chief, send, at_field, laboratory, typed, name, told):
    laboratory.subject(code="S-01")
    answer = send(chief, "/site/keys", {"name": "new", "scope": "reader"} | typed)
    assert answer.status_code in {409, 422}
    assert told in unescape(at_field(answer.text, name))
    assert not KEY.findall(answer.text)
    assert '<th scope="row">new' not in chief.get("/site/keys").text


def test_a_key_is_revoked_and_given_another_secret(chief, send, client, store, make_key, open_client):
    before = make_key(store, "lab/2", "reader")
    day = send(chief, "/site/keys", {"name": "lab/2", "overlap": "day"}, to="/site/keys/rotation")
    (second,) = KEY.findall(day.text)
    assert [open_client(store, key).get("/v1/site").status_code for key in (before, second)] == [200, 200]
    assert "the one before works until" in day.text
    at_once = send(chief, "/site/keys", {"name": "lab/2", "overlap": "none"}, to="/site/keys/rotation")
    (third,) = KEY.findall(at_once.text)
    assert [open_client(store, key).get("/v1/site").status_code for key in (before, second, third)] == [
        401,
        401,
        200,
    ]
    assert send(chief, "/site/keys", {"name": "lab/2"}, to="/site/keys/revocation").status_code == 303
    assert open_client(store, third).get("/v1/site").status_code == 401
    assert "out of use since" in chief.get("/site/keys").text
    assert send(chief, "/site/keys", {"name": "nobody"}, to="/site/keys/revocation").status_code == 404
    assert client.get("/v1/site").status_code == 200


def test_a_rotation_says_when_the_secret_before_ends(chief, send, client):
    answer = send(chief, "/site/keys", {"name": "tester", "overlap": "week"}, to="/site/keys/rotation")
    assert answer.status_code == 422
    assert client.get("/v1/site").status_code == 200


def test_whoever_revokes_their_own_key_is_told_and_then_out(chief, send):
    assert "This is the key you are signed in with." in chief.get("/site/keys").text
    answer = send(chief, "/site/keys", {"name": "head of laboratory"}, to="/site/keys/revocation")
    assert answer.status_code == 303
    assert chief.get("/site/keys").headers["location"].startswith("/sign-in")


# --- devices ---------------------------------------------------------------------------------------------------

#: Mean 2000, one SD 25: what is far beyond a limit signals at once.
STEADY = [2014.1, 1985.9] * 5
START = date(2026, 1, 5)


@pytest.fixture
def measured(laboratory, client):
    """A known person on one analyser, week by week; the last value is far off."""
    subject = laboratory.subject()["id"]
    rows = [
        {
            "subject_id": subject,
            "taken_at": f"{START + timedelta(days=7 * week)}T08:00:00+01:00",
            "device": "analyser A",
            "mode": "cycle",
            "work_rate_w": 100.0,
            "quantity": "vo2_ml_min",
            "value": value,
        }
        for week, value in enumerate([*STEADY, 2150.0])
    ]
    assert client.post("/v1/controls/measurements", json=rows).status_code == 201


def test_without_measurements_the_page_says_how_to_begin(browser, reader_key):
    text = browser(reader_key).get("/site/devices").text
    assert "There is no control measurement yet" in text
    assert "Note an event" not in text


def test_a_shift_is_told_with_its_signals_and_what_to_do(browser, reader_key, measured):
    del measured
    one = browser(reader_key)
    text = one.get("/site/devices").text
    assert "out of control , above the mean since 2026-03-16" in words_of(text)
    assert '<details class="control" id="chart-1" open>' in text
    signals = words_of(text.split("Measurements that met a rule")[1].split("</table>")[0])
    assert "2026-03-16 2,150 one value beyond a limit" in signals
    assert "note what was done as an event of the device" in part(text, "meaning")
    assert text.split('id="meaning"')[1].split("</table>")[0].count('<th scope="row">') == 4
    picture = unescape(re.search(r'<img class="chart"[^>]* src="([^"]*)"', text)[1])
    answer = one.get(picture)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("image/svg+xml")
    assert one.get("/site/devices").status_code == 200


def test_an_event_of_the_device_ends_the_shift(browser, tester_key, send, at_field, measured):
    del measured
    one = browser(tester_key)
    typed = {"kind": "device_service", "started_on": "2026-03-18", "title": "New sample line"}
    refused = send(one, "/site/devices", typed)
    assert refused.status_code == 422
    assert "device is missing" in refused.text
    assert 'value="New sample line"' in refused.text
    early = send(one, "/site/devices", typed | {"started_on": "18 March"})
    assert "must be a date" in at_field(early.text, "started_on")
    assert send(one, "/site/devices", typed | {"device": "analyser A"}).status_code == 303
    assert "in control, again since 2026-03-18" in words_of(one.get("/site/devices").text)
    assert "2026-03-18 New sample line device service analyser A" in part(one.get("/site").text, "events")


def test_a_reader_notes_no_event(browser, reader_key, send):
    typed = {"kind": "room", "started_on": "2026-03-18", "title": "Air conditioning"}
    assert send(browser(reader_key), "/people", typed, to="/site/devices").status_code == 403


@pytest.mark.sqlite_file
def test_a_copy_counts_from_when_it_was_begun(store, tmp_path):
    before = now()
    copied(store, tmp_path / "copy.db")
    with store.read() as session:
        told = backups_of(session, store.settings)
    assert before <= told.at <= now()
    assert told.size_bytes == (tmp_path / "copy.db").stat().st_size
