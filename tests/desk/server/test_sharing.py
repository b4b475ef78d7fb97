"""Sharing a queue: what is on one screen is dealt to nobody else, until it is given back, on both databases."""

from concurrent.futures import ThreadPoolExecutor

from triage.store.takes import random_order_of


def deal(person, n=1, **more):
    answer = person.post("/api/s/1/deal", {"n": n, **more})
    assert answer.status_code == 200, answer.text
    return answer.json()


def names(dealt):
    return [take["take"] for take in dealt["takes"]]


def verdict(person, take_id, key, word="accept", **more):
    answer = person.post(f"/api/takes/{take_id}/verdict", {"verdict": word, "key": key, **more})
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_what_one_person_has_is_dealt_to_nobody_else_and_said(either_desk):
    anna, ben = either_desk.person("anna"), either_desk.person("ben")
    assert names(deal(anna, 2)) == ["T001", "T002"]
    dealt = deal(ben, 3)
    assert names(dealt) == ["T003", "T004"]
    assert [(one["take"], one["by"]) for one in dealt["others"]] == [("T001", "anna"), ("T002", "anna")]
    assert names(deal(anna, 4)) == ["T001", "T002"]  # what ben has is not hers
    verdict(anna, 1, "click-0001")
    verdict(anna, 2, "click-0002")
    assert names(deal(anna, 2)) == [] and deal(ben)["others"] == []


def test_closing_the_page_gives_the_takes_back_at_once(either_desk):
    anna, ben = either_desk.person("anna"), either_desk.person("ben")
    deal(anna, 4)
    assert names(deal(ben, 4)) == []
    assert anna.post("/api/s/1/give-back").status_code == 200
    assert names(deal(ben, 4)) == ["T001", "T002", "T003", "T004"]


def test_a_page_that_is_not_heard_of_loses_its_takes_after_a_while(serve, store):
    desk = serve(store, lease_s=0.0)
    anna, ben = desk.person("anna"), desk.person("ben")
    assert names(deal(anna, 4)) == names(deal(ben, 4)) == ["T001", "T002", "T003", "T004"]


def test_the_take_on_the_screen_stays_with_who_has_it_and_shows_what_a_colleague_said(either_desk):
    anna, ben = either_desk.person("anna"), either_desk.person("ben")
    deal(anna)
    verdict(ben, 1, "click-0001", "reject", notes=[2], reason="attack")  # he opened it by its link
    dealt = deal(anna, 1, showing=1)
    assert dealt["takes"][0]["verdicts"]["people"]["ben"]["notes"] == {"2": "reject"}
    verdict(ben, 1, "click-0002")
    dealt = deal(anna, 1, showing=1)  # settled now, and still on her screen
    assert names(dealt) == ["T002"] and dealt["showing"]["verdicts"]["people"]["ben"]["take"] == "accept"
    assert {one["take"] for one in deal(ben, 4)["others"]} == {"T001", "T002"}


def test_many_who_ask_at_the_same_moment_never_get_the_same_take(either_desk):
    people = [either_desk.person(f"editor {n}") for n in range(4)]
    for _ in range(5):
        with ThreadPoolExecutor() as pool:
            dealt = list(pool.map(lambda one: names(deal(one)), people))
        assert sorted(name for one in dealt for name in one) == ["T001", "T002", "T003", "T004"]
        for one in people:
            one.post("/api/s/1/give-back")


def test_a_chosen_share_is_dealt_to_two_afresh_and_no_further(either_desk):
    lead = either_desk.person("lena", "lead")
    last = max(range(1, 5), key=lambda n: random_order_of(1, f"T00{n}"))
    share = 1 - random_order_of(1, f"T00{last}") + 1e-9
    assert lead.post("/api/shared-settings", {"share_for_two": share}).json()["share_for_two"] == share
    anna, ben, cleo = (either_desk.person(name) for name in ("anna", "ben", "cleo"))
    for n in range(1, 5):
        verdict(anna, n, f"click-{n:04}", "reject" if n == last else "accept")
    (take,) = deal(ben, 3)["takes"]
    assert (take["id"], take["shown"], take["verdicts"]["history"]) == (last, "second", [])
    assert deal(anna)["takes"] == []
    shown = verdict(ben, last, "click-0001", shown="second")["verdicts"]
    assert shown["disagreements"] == [{"note": None, "accept": ["ben"], "reject": ["anna"]}]
    assert [take["shown"] for take in deal(cleo)["takes"]] == [None]  # disputed now, for whoever has not heard it
    assert anna.post("/api/shared-settings", {"share_for_two": 1.0}).status_code == 403


def test_an_engineer_looks_on_without_taking_anything(either_desk):
    edda = either_desk.person("edda", "engineer")
    assert edda.post("/api/s/1/deal", {"n": 1}).status_code == 403
    assert len(edda.get("/api/s/1/next?n=4").json()["takes"]) == 4
    assert names(deal(either_desk.person("anna"), 4)) == ["T001", "T002", "T003", "T004"]
