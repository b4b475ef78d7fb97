"""Who is let in, what they may do, and what a stranger's page can get a browser to do here: nothing."""

import logging
import re

import pytest

from tests.desk.server.served import come_in
from triage.desk import people as desk_people
from triage.desk.app import create_app
from triage.desk.people import RIGHTS, Throttle, hash_password, is_password
from triage.desk.settings import DeskSettings, is_loopback
from triage.domain.errors import ConfigError
from triage.store.accounts import ROLES, save_person
from triage.store.engine import open_store, writing

SECRET = "a long enough password"
VERDICT = {"verdict": "accept", "key": "click-0001"}


def account(store: str, name: str = "anna", role: str = "editor", password: str = SECRET) -> None:
    engine = open_store(store)
    with writing(engine) as db:
        save_person(db, name, role, hash_password(password))
    engine.dispose()


@pytest.fixture
def open_desk(serve, store):
    """A desk that other machines are meant to reach, by a name of its own."""
    account(store)
    return serve(store, names=("desk.example",))


def test_nobody_gets_anything_before_the_sign_in_page(desk):
    stranger = desk.stranger()
    for path in ("/", "/s/1/queue", "/models"):
        answer = stranger.get(path)
        assert answer.status_code == 303 and answer.headers["location"].startswith("/sign-in?then=/")
    for path in ("/api/sessions", "/api/takes/1", "/api/takes/1/wave/close", "/audio/takes/1/close", "/api/s/1/live"):
        assert stranger.get(path).status_code == 401


def test_the_old_address_of_the_sign_in_page_leads_there(desk):
    answer = desk.stranger().get("/door")
    assert (answer.status_code, answer.headers["location"]) == (308, "/sign-in")


def test_every_route_but_signing_in_asks_who_is_there(desk):
    stranger = desk.stranger()
    for method, path in routes(desk):
        if path in ("/sign-in", "/sign-out") or path.startswith("/static"):
            continue
        answer = stranger.request(method, re.sub(r"\{[^}]+\}", "1", path), json={})
        assert answer.status_code in (303, 401), (method, path)


def routes(desk):
    found = create_app(desk.settings).openapi()["paths"]
    listed = {(method.upper(), path) for path, methods in found.items() for method in methods}
    return sorted(listed | {("GET", "/"), ("GET", "/s/1/queue"), ("GET", "/s/1/noise"), ("GET", "/models")})


def test_every_change_needs_the_form_token(desk):
    anna, eve = desk.person(role="producer"), desk.person("eve", role="engineer")
    changing = [(method, path) for method, path in routes(desk) if method not in ("GET", "HEAD")]
    assert ("POST", "/api/takes/{take_id}/verdict") in changing
    for method, path in changing:
        address = re.sub(r"\{[^}]+\}", "1", path)
        answers = [person.client.request(method, address, json=VERDICT) for person in (anna, eve)]
        assert all(answer.status_code == 403 for answer in answers), path
        assert any("form token" in answer.json()["error"] for answer in answers), path  # of whom may do it at all
    assert anna.post("/api/takes/1/verdict", VERDICT, **{"X-Form-Token": "0" * 64}).status_code == 403
    other = desk.person("ben")
    assert anna.post("/api/takes/1/verdict", VERDICT, **{"X-Form-Token": other.token}).status_code == 403
    assert anna.get("/api/takes/1").json()["verdicts"]["history"] == []


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Origin": "https://127.0.0.1"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_request_from_another_site_is_refused_even_with_the_token(desk, headers):
    answer = desk.person().post("/api/takes/1/verdict", VERDICT, **headers)
    assert answer.status_code == 403 and "another site" in answer.json()["error"]


def test_the_desks_own_pages_may_send_changes(desk):
    own = {"Origin": desk.url, "Sec-Fetch-Site": "same-origin"}
    answer = desk.person().post("/api/takes/1/verdict", VERDICT, **own)
    assert answer.status_code == 200


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "evil.example:8451", "[::2]", "["])
def test_a_name_that_a_stranger_points_here_is_not_answered(desk, host):
    answer = desk.person().get("/api/me", headers={"Host": host})
    assert answer.status_code in (400, 421) and "anna" not in answer.text


def test_every_answer_carries_the_headers_that_keep_scripts_out(desk):
    anna = desk.person()
    for answer in (anna.get("/api/me"), anna.get("/"), anna.get("/nothing"), desk.stranger().get("/sign-in")):
        policy = answer.headers["content-security-policy"]
        assert "script-src 'self'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        # Under a stricter one browsers send "Origin: null" with the desk's own forms.
        assert answer.headers["referrer-policy"] == "same-origin"
    assert anna.get("/api/me").headers["cache-control"] == "no-store"


def test_scripts_may_be_kept_but_are_asked_for_each_time(desk):
    """RFC 9111, section 5.2.2.4: no-cache; RFC 9110, section 13.1.2: If-None-Match."""
    anna = desk.person()
    first = anna.get("/static/desk.js")
    assert first.headers["cache-control"] == "no-cache"
    again = anna.get("/static/desk.js", headers={"If-None-Match": first.headers["etag"]})
    assert again.status_code == 304 and not again.content


def test_no_page_holds_a_script_or_style_of_its_own(desk):
    anna = desk.person(role="producer")
    for path in ("/", "/s/1/queue", "/s/1/queue/list", "/s/1/arrivals", "/keys", "/sign-in"):
        text = anna.get(path).text
        assert not re.search(r"<script(?![^>]*\bsrc=)|\son\w+=|\sstyle=|javascript:", text), path


def test_cookies_are_out_of_reach_of_scripts_and_other_sites(desk):
    cookies = come_in(desk.stranger(), "anna", "editor").headers.get_list("set-cookie")
    mine = next(one for one in cookies if one.startswith(f"desk-{desk.settings.port}="))
    assert "HttpOnly" in mine and "SameSite=lax" in mine and "Secure" not in mine and "Max-Age" in mine


def test_over_https_cookies_are_for_https_alone(serve, store):
    account(store)
    served = serve(store, names=("desk.example",), https=True)
    answer = served.stranger().get("/sign-in", headers={"Host": "desk.example"})
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-desk-") and "Secure" in cookie and "Path=/" in cookie and "Domain" not in cookie


def test_a_cookie_that_was_changed_or_ended_lets_nobody_in(desk):
    anna = desk.person()
    name = f"desk-{desk.settings.port}"
    good = anna.client.cookies[name]
    stranger = desk.stranger()
    # Not the last letter: of its six bits base64 leaves some unused.
    for forged in (good[:-2] + ("A" if good[-2] != "A" else "B") + good[-1], "x" + good, good.rsplit(".", 2)[0], ""):
        assert stranger.get("/api/me", headers={"Cookie": f"{name}={forged}"}).status_code == 401
    assert stranger.get("/api/me", headers={"Cookie": f"{name}={good}"}).status_code == 200
    assert anna.client.post("/sign-out", data={"form_token": anna.token}).status_code == 303
    assert stranger.get("/api/me", headers={"Cookie": f"{name}={good}"}).status_code == 401


def test_nobody_can_be_sent_away_by_a_strangers_page(desk):
    anna = desk.person()
    assert anna.client.post("/sign-out", data={"form_token": "x"}).status_code == 403
    assert anna.get("/api/me").status_code == 200


@pytest.mark.parametrize(
    "then", ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)", "\t//e"]
)
def test_the_door_leads_nowhere_else(desk, then):
    assert come_in(desk.stranger(), "anna", "editor", then=then).headers["location"] == "/"


def test_the_door_leads_back_to_where_one_wanted_to_go(desk):
    assert come_in(desk.stranger(), "anna", "editor", then="/s/1/queue").headers["location"] == "/s/1/queue"


def test_a_door_page_without_its_cookie_lets_nobody_in(desk):
    token = re.search(r'name="form_token" value="([^"]+)"', desk.stranger().get("/sign-in").text)[1]
    answer = desk.stranger().post("/sign-in", data={"form_token": token, "name": "anna", "role": "editor"})
    assert answer.status_code == 403


@pytest.mark.parametrize("role, may", [("editor", True), ("producer", True), ("lead", True), ("engineer", False)])
def test_the_server_holds_what_a_role_may_do(desk, role, may):
    answer = desk.person("anna", role).post("/api/takes/1/verdict", VERDICT)
    assert answer.status_code == (200 if may else 403)


def test_only_a_producer_may_start_a_retrain(desk):
    for role in ROLES:
        if role != "producer":
            answer = desk.person(role, role).post("/api/models/retrain")
            assert answer.status_code == 403 and "may not retrain" in answer.json()["error"]
    assert RIGHTS.keys() == set(ROLES) and [role for role in ROLES if "retrain" in RIGHTS[role]] == ["producer"]


@pytest.mark.parametrize("settings", [{"host": "192.0.2.7"}, {"names": ("desk.example",)}, {"host": "0.0.0.0"}])
def test_served_beyond_this_machine_it_does_not_start_without_accounts(store, settings):
    with pytest.raises(ConfigError, match="nobody has an account"):
        create_app(DeskSettings(store, **settings))


def test_served_everywhere_it_wants_to_know_its_name(store):
    account(store)
    with pytest.raises(ConfigError, match="--name"):
        create_app(DeskSettings(store, host="0.0.0.0"))


@pytest.mark.parametrize(
    "name, near",
    [
        ("127.0.0.1", True),
        ("127.9.9.9", True),
        ("::1", True),
        ("[::1]", True),
        ("LocalHost", True),
        ("0.0.0.0", False),
        ("10.0.0.1", False),
        ("desk", False),
        ("localhost.example", False),
        ("", False),
    ],
)
def test_only_this_machine_is_the_loopback(name, near):
    assert is_loopback(name) is near


def test_beyond_this_machine_a_name_alone_is_not_enough(open_desk):
    for name, password in (("anna", ""), ("anna", "wrong"), ("ben", SECRET), ("", "")):
        answer = come_in(open_desk.stranger(), name, "producer", password)
        assert answer.status_code == 401 and "do not go together" in answer.text
    anna = open_desk.person("Anna", "producer", SECRET)
    assert anna.get("/api/me").json()["role"] == "editor"  # by the account, whatever the form says


def test_beyond_this_machine_nobody_is_told_who_there_is(open_desk):
    assert "anna" not in open_desk.stranger().get("/sign-in").text


def test_a_person_with_a_password_is_asked_for_it_on_this_machine_too(serve, store):
    account(store)
    desk = serve(store)
    assert come_in(desk.stranger(), "anna", "producer").status_code == 401
    assert come_in(desk.stranger(), "anna", "producer", SECRET).status_code == 303
    assert come_in(desk.stranger(), "ben", "producer").status_code == 303


def test_passwords_cannot_be_tried_out(open_desk):
    stranger = open_desk.stranger()
    for _ in range(5):
        assert come_in(stranger, "anna", password="wrong").status_code == 401
    refused = come_in(stranger, "anna", password=SECRET)
    assert refused.status_code == 429 and int(refused.headers["retry-after"]) > 200


def test_wrong_passwords_count_by_name_and_by_address_and_are_forgotten(monkeypatch):
    now = [0.0]
    monkeypatch.setattr(desk_people.time, "monotonic", lambda: now[0])
    throttle = Throttle()
    for n in range(20):
        throttle.failed("192.0.2.1", f"name {n}")
    assert throttle.wait_s("192.0.2.1", "anna") == 300 and throttle.wait_s("192.0.2.2", "anna") == 0
    for n in range(30):
        throttle.failed(f"198.51.100.{n}", "Ben")
    assert throttle.wait_s("203.0.113.1", "ben") == 300
    now[0] = 301.0
    assert throttle.wait_s("192.0.2.1", "anna") == throttle.wait_s("203.0.113.1", "ben") == 0


def test_hashes_are_argon2id_and_short_passwords_refused():
    hashed = hash_password(SECRET)
    assert hashed.startswith("$argon2id$") and is_password(hashed, SECRET)
    assert not any(is_password(*pair) for pair in ((hashed, SECRET + "x"), (None, SECRET), ("broken", SECRET)))
    for bad in ("short", "x" * 201):
        with pytest.raises(ConfigError, match="characters"):
            hash_password(bad)


def test_no_secret_reaches_the_log(open_desk, caplog, capfd):
    caplog.set_level(logging.DEBUG)
    anna = open_desk.person("anna", password=SECRET)
    come_in(open_desk.stranger(), "anna", password="wrong password")
    token = anna.client.cookies[f"desk-{open_desk.settings.port}"]
    ours = [one.getMessage() for one in caplog.records if not one.name.startswith("http")]  # not the client's own
    output = "".join([*ours, *capfd.readouterr()])
    assert not [one for one in (SECRET, "wrong password", token, anna.token) if one in output]


@pytest.mark.parametrize("body, status", [(b"x" * 70_000, 413), (b"[1]", 422), (b"\xff\xfe", 422), (b"{}", 422)])
def test_a_body_that_cannot_be_is_one_line(desk, body, status):
    anna = desk.person()
    headers = {"X-Form-Token": anna.token, "Content-Type": "application/json"}
    answer = anna.client.post("/api/takes/1/verdict", content=body, headers=headers)
    assert answer.status_code == status and list(answer.json()) == ["error"]


def test_a_body_without_a_length_is_not_read(desk):
    anna = desk.person()
    answer = anna.client.post("/api/takes/1/verdict", content=iter([b"{}"]), headers={"X-Form-Token": anna.token})
    assert answer.status_code == 411


ODD = (
    "0",
    "-1",
    "1e9",
    "99999999999999999999",
    "%00",
    "%F0%9F%8E%BA",
    "a" * 3000,
    "..",
    "%2e%2e",
    "'",
    "{{7*7}}",
    "NaN",
)


def test_odd_values_anywhere_are_refused_without_a_fault(desk):
    anna = desk.person(role="producer")
    described = create_app(desk.settings).openapi()["paths"]
    for path, methods in described.items():
        for odd in ODD:
            filled = re.sub(r"\{[^}]+\}", odd, path)
            names = [one["name"] for one in methods.get("get", {}).get("parameters", []) if one["in"] == "query"]
            for query in ["", *(f"?{name}={odd}" for name in names)]:
                if "/live" in path:
                    continue
                there = re.sub(r"\{[^}]+\}", "1", path) if query else filled
                answer = anna.get(there + query)
                assert answer.status_code < 500, (there, query, answer.text)
    for field in ("verdict", "key", "note", "reason", "comment", "audio_digest"):
        for value in (None, 0, -1, 1e300, 2**70, "\0", "x" * 5000, [], {}, True):
            answer = anna.post("/api/takes/1/verdict", VERDICT | {field: value})
            assert answer.status_code < 500, (field, value, answer.text)
