"""The day itself, step by step. A step that does not end as it must ends the story."""

from __future__ import annotations

import csv
import hashlib
import io
import time
from datetime import datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx

from demo import orders
from demo.buyer import Buyer
from demo.photo import photo
from demo.service import Caller, Listener, StoryBroken, new_key
from demo.store.server import OpenStore
from layout.pictures.blades_and_plates import draw_plate
from service.shop import catalogue

STATIONS = ("north", "south")
_MOST_LOADS = 20
#: How often the plan is asked for, twice a second.
_PLAN_LOOKS = 120
#: How often a page of the web store is looked at, five times a second.
_PAGE_LOOKS = 150


class Story:
    """What happens between the store, the desk and the bench; `folder` gets the files and pictures."""

    def __init__(self, *, address: str, folder: Path, listener: Listener, store: OpenStore) -> None:
        self.address, self.folder, self.listener, self.store = address, folder, listener, store
        self.shop = catalogue.load(catalogue.default_folder())
        self.posted: dict[str, dict[str, Any]] = {}
        self.scrapped: str | None = None
        self.turned_over = 0
        self._photographed: set[str] = set()
        self._outline: dict[str, Any] = {}
        self._step = 0

    def tell(self) -> None:
        keys = self._keys()
        with (
            Caller(self.address, keys["store"]) as store,
            Caller(self.address, keys["desk"]) as desk,
            Caller(self.address, keys["bench"]) as bench,
            Caller(self.address, keys["owner"]) as owner,
            Buyer(self.store.address, self.address, self.store.shop.key) as buyer,
        ):
            self._checks(desk)
            self._orders(store)
            self._hold_and_amend(store, desk)
            bought = self._at_the_web_store(buyer)
            self._plan(bench)
            self._engrave_everything(bench)
            self._released(store)
            self._must(self._is_seen(buyer, bought, "being packed"), "the web store tells its buyer")
            self._packed(bench)
            self._must(self._is_seen(buyer, bought, "has left"), "the web store tells its buyer")
            self._say(f"the web store's page of {bought.rsplit('/', 1)[1]} says: Your order has left.")
            self._built(owner, bench)
            self._counted(bench)
            self._made_once_more(desk, bench)
            self._taken_back(bench)
            self._looked_after(bench)
            self._next_week(store, owner)
            self._figures(desk)
        self._summary()

    # --- the steps ---

    def _keys(self) -> dict[str, str]:
        self._title("Keys, one of each role (made with `ricasso keys new ROLE`; shown once)")
        clients = {"store": "alder-quay", "desk": "desk", "bench": "bench", "owner": "owner"}
        keys = {role: new_key(role, client, self.folder / "data") for role, client in clients.items()}
        for role, key in keys.items():
            self._say(f"{role:<6} {key}")
        answer = httpx.get(f"{self.address}/v1/orders", timeout=20)
        self._must(answer.status_code == 401, "nothing but health may be open")
        return keys

    def _checks(self, desk: Caller) -> None:
        self._title("The desk asks: can this be engraved?")
        refused = desk.post("/v1/checks", orders.A_CHECK_THAT_FAILS).json()
        self._must(refused["verdict"] == "refuse", "far too long a text must be refused")
        self._say(f'"{orders.A_CHECK_THAT_FAILS["inscriptions"][0]["text"]}" -> {refused["verdict"]}')
        for finding in refused["findings"]:
            self._say(f"  {finding['severity']}: {finding['message']} [{finding['code']}]")
        suggestions = [suggestion for finding in refused["findings"] for suggestion in finding["suggestions"]]
        for suggestion in suggestions[:2]:
            again = desk.post("/v1/checks", {"sku": "AQ-CHEF-20", "inscriptions": [suggestion]}).json()
            self._must(again["verdict"] != "refuse", "a suggestion must pass the same check")
            size = again["inscriptions"][0]["height_mm"]
            self._say(
                f"  suggested, and it passes: {suggestion['text']!r} in {suggestion['font']},"
                f" capitals {size:.2f} mm"
            )
        accepted = desk.post("/v1/checks", orders.A_CHECK_THAT_PASSES).json()
        self._must(accepted["verdict"] == "accept", f"this must be accepted: {accepted['findings']}")
        placed = accepted["inscriptions"][0]
        self._say(
            f'"Marta / and Jonas" -> accept, capitals {placed["height_mm"]:.2f} mm,'
            f" clearance {placed['clearance_mm']:.2f} mm, about {accepted['burn_seconds']:.0f} s to burn"
        )
        self._picture("proof", accepted["proof_svg"])

    def _orders(self, store: Caller) -> None:
        self._title("The store posts its orders (each with an Idempotency-Key)")
        callback = {"url": self.listener.url}
        registered = store.post("/v1/callbacks", callback, expect=201, Idempotency_Key="callback-1").json()
        self.listener.secret = registered["secret"]
        for order in orders.todays_orders():
            self._post(store, order)
        first = orders.todays_orders()[0]
        first_post = self.posted[first["order_ref"]]
        again = store.post("/v1/orders", first_post["body"], expect=201, Idempotency_Key=first_post["key"])
        self._must(again.json()["id"] == first_post["answer"]["id"], "the same key must give the same order")
        self._must(again.headers.get("Idempotency-Replayed") == "true", "a replay must say that it is one")
        self._say(
            f"the line dropped and the store posted {first['order_ref']} again: still {again.json()['id']}"
        )
        other = store.post("/v1/orders", first_post["body"], expect=409, Idempotency_Key="another-key-1001")
        self._must(other.json()["code"] == "order_ref_taken", "an order_ref is taken once for ever")

    def _post(self, store: Caller, order: dict[str, Any], state: str = "ready") -> None:
        key = f"demo-{order['order_ref']}"
        answer = store.post("/v1/orders", order, expect=201, Idempotency_Key=key).json()
        self.posted[order["order_ref"]] = {"body": order, "key": key, "answer": answer}
        units = sum(len(line["jobs"]) for line in answer["lines"])
        findings = [finding for line in answer["lines"] for finding in line["findings"]]
        self._must(
            answer["state"] == state, f"{order['order_ref']} is {answer['state']}, not {state}: {findings}"
        )
        self._say(f"{order['order_ref']} -> {answer['id']}, {units} unit(s), {answer['state']}")

    def _hold_and_amend(self, store: Caller, desk: Caller) -> None:
        self._title("One paid order can't be engraved as asked: it is held, never dropped")
        order = orders.an_order_to_hold()
        self._post(store, order, state="held")
        identity = self.posted[order["order_ref"]]["answer"]["id"]
        shown = desk.get(f"/v1/orders/{identity}")
        for finding in shown.json()["lines"][0]["findings"]:
            self._say(f"  {finding['severity']}: {finding['message']} [{finding['code']}]")
        path = f"/v1/orders/{identity}/lines/1"
        body = {"inscriptions": orders.WORDS_AGREED}
        desk.call("PATCH", path, expect=428, json=body)
        etag = shown.headers["ETag"]
        amended = desk.call("PATCH", path, expect=200, json=body, headers={"If-Match": etag}).json()
        self._must(amended["state"] == "ready", f"the amended order is {amended['state']}")
        desk.call("PATCH", path, expect=412, json=body, headers={"If-Match": etag})
        self._say(f"the desk telephones and amends {identity}: {orders.WORDS_AGREED[0]['text']!r} -> ready")

    def _at_the_web_store(self, buyer: Buyer) -> str:
        """Somebody types, takes what is suggested and orders, orders once more and cancels that; gives the
        address of the order that stays."""
        self._title(f"The web store at {self.store.address}: its page has the component")
        sku = "AQ-CHEF-20"
        self._must("<ricasso-preview" in buyer.looks_at(sku), "the product's page has the component")
        typed = orders.A_CHECK_THAT_FAILS["inscriptions"]
        shown = buyer.tries(sku, typed)
        self._must(shown["verdict"] == "refuse" and shown["token"] is None, "what can't be engraved is said")
        self._say(f"a buyer types {typed[0]['text']!r} -> {shown['message']}")
        suggestion = shown["suggestions"][0]
        wanted = suggestion["inscriptions"]
        shown = buyer.tries(sku, wanted)
        self._must(shown["token"] is not None, "what is suggested can be engraved")
        self._say(f"taps a suggestion, {suggestion['message']!r} -> {shown['message']}")
        bought = buyer.orders(sku, wanted, shown["token"])
        self._must(self._is_seen(buyer, bought, "We have your order."), "what the buyer saw is approved")
        self._say(f"and orders it: {bought.rsplit('/', 1)[1]}, approved, for it is what the page showed")
        words = [{"zone": "heel", "text": "Bo", "font": "lato-bold"}]
        regretted = buyer.orders(sku, words, buyer.tries(sku, words)["token"])
        self._must("is cancelled" in buyer.cancels(regretted), "an order can be cancelled on its page")
        self._say(f"{regretted.rsplit('/', 1)[1]} is ordered too, and cancelled on its page")
        return bought

    def _is_seen(self, buyer: Buyer, order: str, words: str) -> bool:
        """Whether the words stand on the order's page in time: the store is told, then it looks."""
        for _ in range(_PAGE_LOOKS):
            if words in buyer.sees(order):
                return True
            time.sleep(0.2)
        return False

    def _plan(self, bench: Caller) -> None:
        self._title("What waits is planned: which units share a plate, where and when")
        plan = self._planned(bench)
        self._must(plan["unplanned"] == [], f"every unit must be in a load: {plan['unplanned']}")
        self._must(plan["score"]["loads"] >= plan["bound"]["loads"] > 0, "no plan beats its bound")
        self._say(f"{plan['score']['loads']} loads; no plan has fewer than {plan['bound']['loads']}")
        for load in plan["loads"]:
            units = {filled.get("job") for turn in load["turns"] for filled in turn}
            self._say(f"  {load['number']}. {load['station']}, plate {load['copy']}, {len(units)} unit(s)")
        self._picture("timeline", bench.get("/v1/plan/timeline.svg").text)
        self._picture("backlog", bench.get("/v1/backlog.svg").text)

    def _planned(self, bench: Caller) -> Any:
        """The plan, once the background has worked in everything that is ready."""
        ready = {job["id"] for job in bench.get("/v1/jobs?state=ready").json()["jobs"]}
        for _ in range(_PLAN_LOOKS):
            answer = bench.get("/v1/plan", expect=(200, 503))
            if answer.status_code == 200:
                plan = answer.json()
                seated = {filled.get("job") for load in plan["loads"] for filled in load["turns"][0]}
                if ready <= seated | {job["job"] for job in plan["unplanned"]}:
                    return plan
            time.sleep(0.5)
        raise StoryBroken("the background has made no plan")

    def _engrave_everything(self, bench: Caller) -> None:
        self._title("The bench takes load after load")
        self._say("(real work: goggles for the laser's wavelength, extraction on, cut-resistant gloves;")
        self._say(" local rules, the maker's manual and the laser safety officer come first)")
        loads = 0
        while any(self._one_load(bench, station) for station in STATIONS):
            loads += 1
            self._must(loads <= _MOST_LOADS, "the backlog does not get shorter")
        self._must(loads > 0, "there was nothing to do at any station")
        self._must(self.scrapped is not None, "no unit was scrapped and replaced")
        self._must(self.turned_over > 0, "no unit was turned over or came back for its other face")

    def _one_load(self, bench: Caller, station: str) -> bool:
        operator = f"Ines at {station}"
        wanted = {"station": station, "operator": operator}
        answer = bench.post("/v1/loads/next", wanted, expect=(201, 204))
        if answer.status_code == 204:
            return False
        load = answer.json()
        held = bench.post("/v1/loads/next", wanted, expect=200).json()
        self._must(held["id"] == load["id"], "asked again, the operator must get the load already held")
        self._say("")
        self._say(f"{load['id']} at {station}: plate {load['copy']}, {len(load['turns'])} turn(s)")
        load = self._pull(bench, load)
        turns = len(load["turns"])
        while load["state"] in {"pulled", "turning"}:
            load = self._burn_turn(bench, load)
            self._must(load["current_turn"] <= turns, "more turns than the load has")
        self._inspect(bench, load)
        return True

    def _pull(self, bench: Caller, load: dict[str, Any]) -> dict[str, Any]:
        for pull in load["pulls"]:
            self._say(
                f"  pull {pull['quantity']} x {pull['sku']} from bin {pull['bin']}"
                f" for {', '.join(pull['jobs'])}"
            )
        queue = bench.get("/v1/pulls").json()
        self._must(bool(queue), "the queue of units to pull can be read")
        bins: dict[str, dict[str, dict[str, int]]] = {}
        for pull in load["pulls"]:
            if not pull["jobs"]:
                continue  # bare blades come from no bin
            bins.setdefault(pull["bin"], {})[pull["sku"]] = {"found": pull["quantity"]}
        mounted = {"turn": load["current_turn"], "copy": load["copy"], "how": "scanned"}
        load = self._change(bench, load, "mounted", mounted)
        self._say(f"  plate {load['mounted']['copy']} is mounted, its label scanned")
        return self._change(bench, load, "pulled", {"bins": bins})

    def _burn_turn(self, bench: Caller, load: dict[str, Any]) -> dict[str, Any]:
        turn = load["current_turn"]
        here = next(candidate for candidate in load["turns"] if candidate["turn"] == turn)
        waiting = [slot for slot in here["slots"] if slot["state"] in {"planned", "seated"}]
        if turn > 1:
            self.turned_over += len(waiting)
            self._say(f"  units turned over for turn {turn}")
        for slot in waiting:
            words = " / ".join(text.replace("\n", " ") for text in slot["texts"])
            self._say(
                f"  slot {slot['slot']}: {slot.get('job') or slot.get('lot')} {slot['sku']}"
                f" {slot['face']}: {words}"
            )
        load = self._change(
            bench, load, "seated", {"turn": turn, "slots": {slot["slot"]: "seated" for slot in waiting}}
        )
        here = next(candidate for candidate in load["turns"] if candidate["turn"] == turn)
        digest = self._download(bench, load, here)
        wrong = bench.post(
            f"/v1/loads/{load['id']}/start",
            {"turn": turn, "file_sha256": hashlib.sha256(b"an older file").hexdigest()},
            expect=409,
            If_Match=load["etag"],
        )
        self._must(wrong.json()["code"] == "stale_file", "a start with another file must be refused")
        load = self._change(bench, load, "start", {"turn": turn, "file_sha256": digest})
        self._must(load["state"] == "burning", "after start the load burns")
        bench.post(
            f"/v1/loads/{load['id']}/start",
            {"turn": turn, "file_sha256": digest},
            expect=(409, 412),
            If_Match=load["etag"],
        )
        return self._change(bench, load, "finish", {"turn": turn})

    def _download(self, bench: Caller, load: dict[str, Any], turn: dict[str, Any]) -> str:
        """Every file of a turn, its bytes hashed here and compared with what the load says."""
        digest: str = turn["file_sha256"]
        matched = []
        for kind, path in turn["files"].items():
            got = bench.get(path)
            name = got.headers["Content-Disposition"].split('filename="')[1].rstrip('"')
            (self.folder / "files" / name).write_bytes(got.content)
            if hashlib.sha256(got.content).hexdigest() == digest:
                matched.append(kind)
                self._say(
                    f"  file {name}, {len(got.content)} bytes, sha256 {digest[:12]}... as the load says"
                )
        self._picture(f"pallet-{load['id']}-turn{turn['turn']}", self._pallet(load, turn))
        self._must(len(matched) == 1, f"one of the files must have the digest {digest}")
        self._must(str(turn["short_code"]) in str(turn["file"]), "the file's name carries its short code")
        return digest

    def _pallet(self, load: dict[str, Any], turn: dict[str, Any]) -> str:
        """The plate from above with the units of this turn and what will be burned on each."""
        shop = self.shop
        seated = {s["slot"]: (shop.products[s["sku"]].blade, s["face"]) for s in turn["slots"]}
        words = {s["slot"]: [s["job"] or s["lot"], *s["texts"]] for s in turn["slots"]}
        title = f"Load {load['id']}, turn {turn['turn']}, plate {load['copy']}"
        return draw_plate(shop.plates[load["plate"]], shop.blades, seated=seated, words=words, title=title)

    def _inspect(self, bench: Caller, load: dict[str, Any]) -> None:
        self._must(load["state"] == "burned", f"the load is {load['state']}, not burned")
        results: dict[str, dict[str, str]] = {}
        for job in load["jobs"]:
            if self.scrapped is None and job["state"] == "engraved":
                self.scrapped = job["job"]
                results[job["job"]] = {"result": "scrap", "reason": "blade slipped while it was wiped"}
                self._say(f"  {job['job']} is spoiled: scrapped, a replacement goes first in the queue")
            elif job["state"] == "engraved":
                results[job["job"]] = {"result": "pass"}
        for photographed in self._photographed & set(results):
            self._photos(bench, photographed)
        load = self._change(bench, load, "inspect", {"jobs": results})
        if load["state"] == "burned":
            load = self._change(bench, load, "release", {})
        passed = sum(result["result"] == "pass" for result in results.values())
        self._say(f"  inspected: {passed} passed; {load['id']} is {load['state']}")

    def _released(self, store: Caller) -> None:
        self._title("Everything is released, and the store was told")
        for ref, post in self.posted.items():
            order = store.get(f"/v1/orders/{post['answer']['id']}").json()
            states = ", ".join(
                f"{job['id']} {job['state']}" for line in order["lines"] for job in line["jobs"]
            )
            self._must(order["state"] == "released", f"{ref} is {order['state']}: {states}")
            self._say(f"{ref} -> {order['state']} ({states})")
        self.listener.wait_for("order.released", len(self.posted))
        self._must(self.listener.unsigned == 0, "every callback must carry a good signature")
        kinds = sorted({event["type"] for event in self.listener.events})
        self._say(f"{len(self.listener.events)} signed callbacks came: {', '.join(kinds)}")
        history = store.get(f"/v1/jobs/{self.scrapped}").json()["history"]
        self._say(f"history of {self.scrapped}: " + " -> ".join(move["to"] for move in history))

    def _packed(self, bench: Caller) -> None:
        self._title("Packing gathers the boxes of each order, and hands it over")
        waiting = bench.get("/v1/packing").json()
        count = len(self.posted) + 1  # the web store's
        self._must(waiting["waiting"] == count, "every order that is released waits for packing")
        boxes = [
            (order["id"], unit["job"])
            for order in waiting["orders"]
            for unit in order["units"]
            if unit["state"] == "released"
        ]
        for order, job in sorted(boxes, key=lambda box: box[1]):
            scanned = bench.post("/v1/packing/scan", {"code": job}).json()
            here = scanned["order"]
            shelf = f"shelf {here['shelf']}" if "shelf" in here else "no shelf needed"
            left = len(here["units"]) - here["gathered"]
            state = "complete" if here["is_complete"] else f"{left} still to come"
            self._say(f"box {job}: order {here['order_ref']}, {shelf}, {state}")
            if not here["is_complete"]:
                early = bench.post(f"/v1/orders/{order}/hand-over", None, expect=409)
                self._must(early.json()["code"] == "boxes_missing", "no order leaves without all its boxes")
        again = bench.post("/v1/packing/scan", {"code": boxes[0][1]}).json()
        self._must(again["what"] == "gathered_before", "a box that is scanned twice changes nothing")
        for order in waiting["orders"]:
            papers = bench.get(f"/v1/orders/{order['id']}/packing-list.pdf")
            (self.folder / f"packing-list-{order['id']}.pdf").write_bytes(papers.content)
            bench.post(f"/v1/orders/{order['id']}/hand-over", None)
            ended = bench.get(f"/v1/orders/{order['id']}").json()
            self._must(ended["state"] == "handed_over", f"{order['id']} is {ended['state']}")
            self._say(f"{ended['order_ref']} -> {ended['state']}, with its packing list")
        wrong = bench.post("/v1/packing/scan", {"code": boxes[0][1]}, expect=409).json()
        self._say(f"a box that turns up afterwards: {wrong['detail']}")
        self.listener.wait_for("order.handed_over", len(self.posted))
        self._must(self.listener.unsigned == 0, "every callback must carry a good signature")

    def _built(self, owner: Caller, bench: Caller) -> None:
        self._title("Assembly builds what is wanted; each unit is inspected and counted in its bin")
        wanted = {"sku": "AQ-PARE-9", "quantity": 2, "due": "2030-01-31T16:00:00Z"}
        made = owner.post("/v1/work-orders", wanted, expect=201, Idempotency_Key="next-week-1").json()
        good, bad = (unit["id"] for unit in made["units"])
        labels = bench.get(f"/v1/work-orders/{made['id']}/labels.pdf")
        (self.folder / f"labels-{made['id']}.pdf").write_bytes(labels.content)
        points = bench.post("/v1/assembly/scan", {"code": good}).json()["points"]
        early = bench.post("/v1/assembly/scan", {"code": good, "bin": "A1"}, expect=409).json()
        self._say(f"{made['id']}: {made['quantity']} x {made['sku']}; too early: {early['detail']}")
        fails = {"reason": points[0], "note": "near the tip"}
        bench.post(f"/v1/built-units/{bad}/rework", fails)
        back = bench.post("/v1/assembly/scan", {"code": bad}).json()
        self._must(back["what"] == "back", "what fails comes back by scan")
        for unit in (good, bad):
            bench.post(f"/v1/built-units/{unit}/pass", {"points": points})
            scans = [bench.post("/v1/assembly/scan", {"code": unit, "bin": "A1"}).json() for _ in range(2)]
            self._must([scan["what"] for scan in scans] == ["stocked", "stocked_before"], "counted once")
            self._say(f"{unit} passed {len(points)} points and stands in bin A1")
        done = bench.get(f"/v1/work-orders/{made['id']}").json()
        self._must(done["state"] == "done", f"{made['id']} is {done['state']}")

    def _counted(self, bench: Caller) -> None:
        self._title("A bin is counted, and a slip of the finger is asked about")
        count = bench.post("/v1/stock/counts", {"bin": "A1"}).json()
        at, line = f"/v1/stock/counts/{count['id']}", count["lines"][0]
        slip = {"counted": {line["sku"]: line["on_record"] + 16}}
        count = bench.post(f"{at}/counted", slip, If_Match=count["etag"]).json()
        asked = bench.post(f"{at}/take", {}, expect=409, If_Match=count["etag"]).json()
        self._must(asked["code"] == "count_jumps", "a jump is asked about")
        self._say(
            f"{line['sku']}: {line['on_record']} on record, {line['on_record'] + 16} counted: look again"
        )
        right = {"counted": {line["sku"]: line["on_record"]}}
        count = bench.post(f"{at}/counted", right, If_Match=count["etag"]).json()
        bench.post(f"{at}/take", {}, If_Match=count["etag"])
        changes = bench.get("/v1/stock/changes?bin=A1&limit=3").json()["changes"]
        self._say("bin A1: " + ", ".join(f"{c['units']:+d} {c['what']} ({c['sku']})" for c in changes))

    def _made_once_more(self, desk: Caller, bench: Caller) -> None:
        """A unit that was damaged on its way is made again, and its mark photographed for the buyer."""
        self._title("A unit came back damaged: it is made once more, and a photo of its mark is taken")
        ref, post = next(iter(self.posted.items()))
        first = post["answer"]["id"]
        wanted = {
            "line_ref": post["body"]["lines"][0]["line_ref"],
            "reason": "damaged",
            "pays": "carrier",
            "ship_by": post["body"]["ship_by"],
        }
        made = desk.post(
            f"/v1/orders/{first}/remakes", wanted, expect=201, Idempotency_Key="remake-1001"
        ).json()
        job, order = made["made"]["job"], made["made"]["order"]
        self._say(f"{made['job']} of {ref} -> {job} in {order}, from the outline that was approved")
        outlines = desk.get(f"/v1/orders/{order}/export").json()["rows"]["frozen_mark"]
        self._photographed, self._outline = {job}, outlines[0]["outline"]
        loads = 0
        while any(self._one_load(bench, station) for station in STATIONS):
            loads += 1
            self._must(loads <= _MOST_LOADS, "the backlog does not get shorter")
        shown = desk.get(f"/v1/jobs/{job}/photos").json()["photos"]
        self._must(len(shown) == 2, "both photos of the mark are kept")
        good = next(one for one in shown if one["impression"] == "looks_right")
        desk.post(f"/v1/photos/{good['id']}/share", {"shared": True})
        link = desk.post(f"/v1/orders/{order}/proof-link", None).json()["url"]
        page = httpx.get(link, timeout=20).text
        self._must(f"{good['id']}.jpg" in page, "the buyer sees the photo that the desk shows")
        self._say(f"the desk shows {good['id']} to the buyer, on the page of the link")

    def _photos(self, bench: Caller, job: str) -> None:
        """The tablet takes two photos: of the mark, and, to see what is said, of one that lacks an area."""
        for left_out, expected in ((0, "look_here"), (None, "looks_right")):
            kept = bench.call(
                "POST",
                f"/v1/jobs/{job}/photos",
                expect=201,
                content=photo(self._outline, left_out=left_out),
                headers={"Content-Type": "image/jpeg"},
            ).json()
            said = ", ".join(suspect["kind"] for suspect in kept["suspects"]) or "no difference found"
            self._must(kept["impression"] == expected, f"the photo says {kept['impression']}: {said}")
            self._say(f"  photo {kept['id']} of {job}: {said}")
            self._picture(f"photo-{kept['id']}", bench.get(f"/v1/photos/{kept['id']}.svg").text)

    def _taken_back(self, bench: Caller) -> None:
        self._title("A hand-over was a mistake: it is taken back, and done again")
        ref, post = list(self.posted.items())[-1]
        at = f"/v1/orders/{post['answer']['id']}/hand-over"
        for _ in range(2):  # a finger that taps twice
            back = bench.call("DELETE", at, expect=200).json()
        self._must(back["is_complete"], "its boxes are gathered as before")
        shown = bench.get(f"/v1/orders/{post['answer']['id']}").json()
        self._must(shown["state"] == "released", f"{ref} is {shown['state']}")
        self._say(f"{ref} -> {shown['state']}, {back['gathered']} box(es) gathered as before")
        self.listener.wait_for("order.hand_over_taken_back", 1)
        bench.post(at, None)
        self.listener.wait_for("order.handed_over", len(self.posted) + 1)
        self._must(self.listener.unsigned == 0, "every callback must carry a good signature")
        self._say(f"{ref} -> handed_over; the store was told of both")
        self._page(f"/packing/{post['answer']['id']}")

    def _looked_after(self, bench: Caller) -> None:
        self._title("A station's routine check is done, and what is used up is filled up")
        station = STATIONS[0]
        asked = f"/v1/routines?station={station}"
        check = next(one for one in bench.get(asked).json()["routines"] if one["every"] == "day")
        done = f"/v1/stations/{station}/routines/{check['routine']}"
        wrong = {"result": "not_ok", "note": "a haze at the edge", "seen": 0}
        bench.post(done, wrong)
        due = {one["routine"] for one in bench.get(asked).json()["routines"] if one["is_due"]}
        self._must(check["routine"] in due, "what was found not ok stays due")
        self._say(f"{station}: {check['name']}: not ok, a haze at the edge. {check['if_not_ok']}")
        noted = bench.post(done, {"result": "ok", "note": "cleaned", "seen": 1}).json()
        due = {one["routine"] for one in bench.get(asked).json()["routines"] if one["is_due"]}
        self._must(check["routine"] not in due, "what was found ok is not due")
        self._say(f"cleaned, and found ok by {noted['by']}; still due at {station}: {', '.join(sorted(due))}")
        supply = bench.get("/v1/supplies").json()["supplies"][0]
        low = max(0, supply["warn_below"] - 1)
        counted = bench.post(f"/v1/supplies/{supply['supply']}/count", {"left": low}).json()
        self._must(counted["is_low"], "what runs low is said")
        filled = bench.post(f"/v1/supplies/{supply['supply']}/refill", {"seen": counted["said"]}).json()
        self._must(filled["left"] == low + supply["pack"], "a pack is added once")
        self._say(f"{supply['name']}: {low} counted, running low; a pack came, {filled['left']} are there")
        self._page("/routines")

    def _next_week(self, store: Caller, owner: Caller) -> None:
        self._title("A fair wants more knives than there are: what should assembly build next week?")
        few = min(owner.get("/v1/build-plan").json()["products"], key=lambda one: (one["free"], one["sku"]))
        order = orders.for_the_fair(few["sku"], few["free"] + 6)
        taken = store.post("/v1/orders", order, expect=201, Idempotency_Key="the-fair").json()
        self._say(f"{order['order_ref']} -> {taken['id']}, {few['free'] + 6} x {few['sku']}, not engraved")
        plan = owner.get("/v1/build-plan").json()
        wanted = sum(
            one["quantity"] for week in plan["weeks"] for one in week["build"] if one["sku"] == few["sku"]
        )
        self._must(wanted >= 6, f"the plan builds {wanted} of the 6 that are missing")
        for week in plan["weeks"][:2]:
            build = ", ".join(f"{one['quantity']} x {one['sku']}" for one in week["build"]) or "nothing"
            self._say(f"by {week['by']}: {build}")
        self._file("build-plan.pdf", owner.get("/v1/build-plan.pdf").content)
        self._page("/build-plan")

    def _figures(self, desk: Caller) -> None:
        self._title("How the day went, in figures; nothing is counted by person")
        today = datetime.now(ZoneInfo(self.shop.policy.time_zone)).date()
        days = f"from={today - timedelta(days=1)}&to={today}&by=day"  # the day may have ended meanwhile
        whole = desk.get(f"/v1/figures?{days}").json()["whole"]
        self._must(whole["released"] > 0, "what was released is counted")
        self._must(whole["scrapped"] == 1, f"one unit was spoiled, not {whole['scrapped']}")
        self._say(
            f"{whole['released']} units released, {whole['in_time']} of them by their ship-by time;"
            f" {whole['scrapped']} scrapped"
        )
        self._say(f"{whole['kept']} of {whole['promised']} promises kept")
        table = desk.get(f"/v1/figures.csv?{days}")
        rows = csv.DictReader(io.StringIO(table.text))
        self._must(sum(int(row["released"]) for row in rows) == whole["released"], "the table says the same")
        self._file("figures.csv", table.content)
        self._page("/figures")

    def _summary(self) -> None:
        print(f"\nEvery step held. Pictures and files: {self.folder}")
        for picture in sorted(self.folder.glob("*.png")):
            print(f"  {picture}")
        files = self.folder / "files"
        print(f"  {files}  ({len(list(files.iterdir()))} burn files and guides)")
        print(f"  {self.folder / 'data'}  (database, service.log)")

    # --- small things ---

    def _change(self, bench: Caller, load: dict[str, Any], what: str, body: dict[str, Any]) -> dict[str, Any]:
        answer = bench.post(f"/v1/loads/{load['id']}/{what}", body, If_Match=load["etag"])
        changed: dict[str, Any] = answer.json()
        return changed

    def _picture(self, name: str, svg: str) -> None:
        import resvg_py

        file = self.folder / f"{name}.png"
        # Labels are in the page's sans serif; a fresh machine may have no font, so one is brought along, and
        # another for the words that it has no letters for.
        letters = [
            str(resources.files(f"fontpkg_{font.lower()}") / "files" / f"{font}-{cut}.ttf")
            for font, cut in (("Lato", "Medium"), ("Lato", "Bold"), ("Amiri", "Bold"))
        ]
        png = resvg_py.svg_to_bytes(
            svg_string=svg,
            dpi=160,
            background="white",
            font_files=letters,
            font_family="Lato",
            sans_serif_family="Lato",
            skip_system_fonts=True,
        )
        file.write_bytes(bytes(png))
        self._say(f"  picture {file}")

    def _file(self, name: str, content: bytes) -> None:
        file = self.folder / name
        file.write_bytes(content)
        self._say(f"  file {file}")

    def _page(self, path: str) -> None:
        self._say(f"  page {self.address}{path}")

    def _title(self, text: str) -> None:
        self._step += 1
        print(f"\n{self._step}. {text}", flush=True)

    def _say(self, text: str) -> None:
        print(f"   {text}" if text else "", flush=True)

    def _must(self, held: bool, why: str) -> None:  # noqa: FBT001  reads like the sentence it is
        if not held:
            raise StoryBroken(why)
