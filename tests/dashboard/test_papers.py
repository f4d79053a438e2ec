"""Files in and out, the printed sheet and the seal: over real sockets, and in a real browser."""

import http.client
import json
import re
import sys
from collections.abc import Callable, Iterator, Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from PIL import Image
from playwright.sync_api import Page, expect

from dashboard.guard import MAX_BODY_BYTES, MAX_FILE_BYTES
from dashboard.papers import Papers
from dashboard.server import RunningPage, serve
from logger.door import Answer, Door
from logger.keeping import Keeping
from logger.looking import Looking
from logger.printing import Printer
from logger.readings_import import import_readings
from logger.software import SOFTWARE
from logger.store import Store

Said = tuple[int, Mapping[str, str], bytes]
Ask = Callable[..., Said]
OWN, OTHER = "127.0.0.1", "127.0.0.2"
NECK = 'name = "Rill <b>no. 5</b> (invented)"\nkind = "steel-string"\ninvented = true\nscale_mm = 645.0\nfrets = 20\n'
GAUGE = '[gauge.depth]\nkind = "depth_indicator"\nresolution_mm = 0.001\nu_mm = 0.003\nzero_u_mm = 0.002\n'
READINGS = "kind,fret,place,value,unit,gauge\n" + "".join(
    f"seated_height,7,{place},{value},mm,depth\n" for place, value in (("bass", 1.1), ("centre", 1.1), ("treble", 1.25))
)
SEALED_MS = 30_000
AXE = (Path(__file__).parents[1] / "reference" / "axe.min.js").read_text(encoding="utf-8")
RULES = """() => axe.run('#view-record', {
  runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'],
}).then((found) => found.violations.flatMap(({id, nodes}) =>
  nodes.map((one) => `${id} ${one.target} ${one.failureSummary}`)))"""
TOO_SMALL = """() => [...document.querySelectorAll(
  '.kept-files :is(button, a, input:not([type=file])), .seals button')].filter((node) => {
    const {width, height} = node.getBoundingClientRect();
    return height < 44 || width < 44;
  }).map((node) => node.outerHTML)"""


def picture(mark: int = 0) -> bytes:
    """A picture that says where it was taken."""
    made, exif = BytesIO(), Image.Exif()
    exif.get_ifd(0x8825).update({1: "N", 2: (1.0, 2.0, 3.0)})
    Image.new("RGB", (900, 600), (120, 80, mark)).save(made, "JPEG", exif=exif)
    return made.getvalue()


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    """A door to a store with one neck, and to whoever keeps files and seals in it."""
    for name, text in (("n.toml", NECK), ("g.toml", GAUGE), ("r.csv", READINGS)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    path = tmp_path / "s.db"
    import_readings(tmp_path / "r.csv", path, instrument=tmp_path / "n.toml", gauges=tmp_path / "g.toml")
    with Store.open(path) as store:
        with store.reader() as reader:
            session = reader.sessions()[0].id
        made = Door(
            lambda _id, _action: Answer(done=True), Looking(path, current=session).ask,
            Keeping(store, software=SOFTWARE),
        )  # fmt: skip
        made.publish({"version": 1, "store": "s", "boot": "b", "seq": 0, "bad_seq": 0})
        yield made
        made.close()


@pytest.fixture
def running(door: Door) -> Iterator[RunningPage]:
    page = serve(door, lan=lambda _line: None)
    yield page
    page.stop()


@pytest.fixture
def send(running: RunningPage) -> Ask:
    """Ask as a program would: the bench's own machine, or another address with a cookie."""
    port = int(running.url.rstrip("/").rsplit(":", 1)[1])

    def asked(method: str, path: str, body: bytes | None = None, *, at: str = OWN, **headers: str) -> Said:
        link = http.client.HTTPConnection(OWN, port, timeout=60, source_address=(at, 0))
        given = {"Origin": f"http://{OWN}:{port}", "Content-Type": "application/octet-stream"} | headers
        link.request(method, path, body, {name: value for name, value in given.items() if value})
        reply = link.getresponse()
        said = reply.status, dict(reply.getheaders()), reply.read()
        link.close()
        return said

    return asked


def attached(door: Door) -> dict[str, Any]:
    one: dict[str, Any] = door.ask("record", {})["attachments"][-1]
    return one


def where(door: Door, name: str = "end.jpg") -> str:
    return f"/attach?session={door.ask('record', {})['session']}&name={name}&note=treble&who=A.%20Bench"


def test_a_file_goes_out_as_it_came_and_only_as_a_download(door: Door, send: Ask) -> None:
    content = picture() + bytes(3 * MAX_BODY_BYTES)
    status, _, text = send("POST", where(door, "..%2F..%2F%22end%0A.html"), content)
    assert status == 200, text
    assert json.loads(text)["new"] is True

    one = attached(door)
    status, headers, got = send("GET", f"/attached/{one['sha256']}")
    assert (status, got) == (200, content)
    assert headers["Content-Type"] == "image/jpeg"
    assert re.fullmatch(r'attachment; filename="?_end_\.jpg"?', headers["Content-Disposition"])
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert "default-src 'none'" in headers["Content-Security-Policy"]


def test_the_small_picture_is_drawn_anew_without_its_place(door: Door, send: Ask) -> None:
    send("POST", where(door), picture())
    status, headers, small = send("GET", f"/attached/{attached(door)['sha256']}/small")
    assert (status, headers["Content-Type"]) == (200, "image/jpeg")
    with Image.open(BytesIO(small)) as drawn:
        assert drawn.size == (480, 320)
        assert not drawn.getexif()
    send("POST", where(door, "a.txt"), b"a note\n")
    status, headers, text = send("GET", f"/attached/{attached(door)['sha256']}/small")
    assert (status, text) == (404, b"a.txt is no picture; open it as a file\n")


@pytest.mark.parametrize(
    ("content", "status", "says"),
    [
        pytest.param(b"", 422, b"end.jpg: is empty", id="empty"),
        pytest.param(b"<svg xmlns='x'>", 422, b"is markup such as SVG", id="markup"),
        pytest.param(picture()[:400], 422, b"is no whole JPEG picture", id="cut"),
        pytest.param(bytes(MAX_FILE_BYTES + 1), 413, b"a file must have at most 10.0 MB", id="too large"),
    ],
)
def test_a_file_that_is_not_taken_leaves_nothing(
    door: Door, send: Ask, content: bytes, status: int, says: bytes
) -> None:
    got, _, text = send("POST", where(door), content)
    assert got == status
    assert says in text
    assert text.count(b"\n") == 1
    assert door.ask("record", {})["attachments"] == []


def test_nothing_else_may_be_as_large_as_a_file(send: Ask) -> None:
    large = b"[" + b" " * MAX_BODY_BYTES + b"]"
    for path in ("/act", "/seal", "/_dash-update-component"):
        assert send("POST", path, large, **{"Content-Type": "application/json"})[0] == 413


@pytest.mark.parametrize(("path", "body"), [("/attach?session=s", b"a note"), ("/seal", b'{"session": "s"}')])
def test_another_site_and_a_stranger_can_keep_nothing(send: Ask, path: str, body: bytes) -> None:
    assert send("POST", path, body, Origin="http://elsewhere.example")[0] == 403
    assert send("POST", path, body, Origin="")[0] == 403
    if sys.platform == "linux":
        assert send("POST", path, body, at=OTHER)[0] == 401


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux answers on all of 127.0.0.0/8 unasked")
def test_whoever_looks_on_sees_pictures_small_and_keeps_nothing(door: Door, send: Ask) -> None:
    send("POST", where(door), picture())
    one = attached(door)
    as_json = {"Content-Type": "application/json"}
    token = json.loads(send("POST", "/network/link", b'{"name": "owner of no. 3"}', **as_json)[2])["links"][-1]["token"]
    cookie = {"Cookie": send("GET", f"/see/{token}", at=OTHER)[1]["Set-Cookie"].split(";")[0]}

    assert send("GET", f"/attached/{one['sha256']}", at=OTHER)[0] == 401
    assert send("GET", f"/attached/{one['sha256']}/small", at=OTHER, **cookie)[0] == 200
    status, _, text = send("GET", f"/attached/{one['sha256']}", at=OTHER, **cookie)
    assert status == 403
    assert b"shows pictures small" in text
    assert send("POST", where(door), picture(1), at=OTHER, **cookie)[0] == 403
    assert send("POST", "/seal", b"{}", at=OTHER, **cookie, **as_json)[0] == 403
    assert len(door.ask("record", {})["attachments"]) == 1


def test_a_seal_that_cannot_be_is_one_line(send: Ask) -> None:
    as_json = {"Content-Type": "application/json"}
    assert send("POST", "/seal", b"[]", **as_json)[0] == 400
    status, _, text = send("POST", "/seal", b'{"session": "nowhere"}', **as_json)
    assert (status, text) == (422, b"no session 'nowhere' in this store\n")


def test_whoever_prints_while_too_many_do_is_asked_to_come_again(door: Door) -> None:
    server = Flask("papers")
    Papers(door, printer=Printer(most=0)).register(server)
    reply = server.test_client().get("/sheet.pdf")
    assert (reply.status_code, reply.headers["Retry-After"]) == (503, "5")
    assert "other sheets are being printed; ask again in a moment" in reply.text


# -- in a browser ----------------------------------------------------------------------------------------------------


@pytest.fixture
def page(door: Door, page_of: Callable[..., Any]) -> Page:
    looker = page_of(door)
    looker.page.evaluate("() => { location.hash = 'record'; }")
    expect(looker.page.locator(".kept-files h2")).to_be_visible(timeout=SEALED_MS)
    page: Page = looker.page
    return page


def file(name: str, content: bytes) -> Any:
    return {"name": name, "mimeType": "application/octet-stream", "buffer": content}


@pytest.mark.browser
def test_files_are_chosen_sent_shown_and_refused_in_one_line(page: Page, door: Door) -> None:
    problems: list[str] = []
    page.on("console", lambda said: problems.append(said.text) if said.type == "error" else None)
    page.locator("#file-note").fill("the treble end")
    page.locator("#file-who").fill("A. Bench")
    with page.expect_file_chooser() as choosing:
        page.locator("[data-opens=file-choose]").press("Enter")
    choosing.value.set_files([file("<i>end.jpg", picture()), file("a.exe", b"MZ\x00\xff"), file("b.txt", b"")])

    sent = page.locator(".sending li")
    expect(sent.nth(0)).to_have_attribute("data-sending", "done", timeout=SEALED_MS)
    expect(sent.nth(0)).to_contain_text("It holds the place where it was taken")
    expect(sent.nth(2)).to_have_attribute("data-sending", "refused", timeout=SEALED_MS)
    assert problems == []  # the page says it; the browser has nothing to add
    expect(sent.nth(1)).to_contain_text("a.exe: is of no kind that is taken")
    expect(sent.nth(2)).to_contain_text("The file is empty; choose another.")
    kept = page.locator("[data-file]")
    expect(kept).to_have_count(1, timeout=SEALED_MS)
    expect(kept.locator(".file-name")).to_have_text("_i_end.jpg")
    expect(kept).to_contain_text("by A. Bench")
    expect(kept.locator("img")).to_have_attribute("alt", "Picture _i_end.jpg: the treble end")
    assert page.locator("#file-camera").get_attribute("capture") == "environment"
    expect(page.locator("#file-note")).to_have_value("the treble end")  # for those that were refused
    expect(page.locator("#file-who")).to_have_value("A. Bench")
    kept.locator("img").scroll_into_view_if_needed()
    page.wait_for_function("() => document.querySelector('[data-file] img').naturalWidth === 480")
    with page.expect_download() as waiting:
        kept.locator(".get").press("Enter")
    assert waiting.value.path().read_bytes() == picture()
    assert door.ask("record", {})["attachments"][0]["note"] == "the treble end"


@pytest.mark.browser
def test_sealing_says_what_it_will_hold_and_then_how_it_checks(page: Page, door: Door) -> None:
    seals = page.locator(".seals")
    expect(seals).to_contain_text("1 visit, 3 readings, 0 files", timeout=SEALED_MS)
    expect(seals).to_contain_text("It holds no customer's name: keep that outside.")
    expect(seals).to_contain_text("This bench has no key yet")
    seals.locator("[data-seal=make]").press("Enter")
    expect(seals.locator(".seal-said")).to_contain_text("Record 1 is sealed. Its code is", timeout=SEALED_MS)
    code = door.ask("record", {})["seal"]["code"]
    expect(seals.locator(".seal-code")).to_have_text(code, timeout=SEALED_MS)
    expect(page.locator("#view-record .code b")).to_have_text(f"Record {code}")
    expect(seals).to_contain_text("Record 1 says all that is here")
    expect(seals).not_to_contain_text("no key yet")

    seals.locator("[data-seal=check]").press("Enter")
    expect(seals).to_contain_text("Good: record 1, sealed", timeout=SEALED_MS)
    expect(seals).to_contain_text(f"{SOFTWARE} finds every verdict as {SOFTWARE} sealed it.")

    page.locator("#file-choose").set_input_files([file("late.txt", b"late\n")])
    expect(page.locator(".kept-files h3")).to_have_text("Added after sealing", timeout=SEALED_MS)
    expect(seals).to_contain_text("Record 1 stays as it was sealed; the new one names it.", timeout=SEALED_MS)
    seals.locator("[data-seal=make]").click()
    expect(seals.locator(".seal-said")).to_contain_text("it reopens record 1", timeout=SEALED_MS)
    expect(page.locator(".kept-files h3")).to_have_count(0, timeout=SEALED_MS)
    expect(seals.locator("[data-record]")).to_have_count(2)


@pytest.mark.browser
def test_a_seal_is_seen_though_the_record_around_it_says_the_same_as_before(page: Page, door: Door) -> None:
    """It went on saying that the bench has no key, and offered the button again."""
    expect(page.locator(".seals")).to_contain_text("This bench has no key yet", timeout=SEALED_MS)
    same = page.evaluate("() => fretledger.look('record').then(JSON.stringify)")
    page.route("**/look/record*", lambda route: route.fulfill(body=same, content_type="application/json"))
    page.locator("[data-seal=make]").click()
    expect(page.locator(".seal-said")).to_contain_text("Record 1 is sealed.", timeout=SEALED_MS)
    expect(page.locator(".seals")).not_to_contain_text("no key yet")
    expect(page.locator("[data-seal=make]")).to_have_count(0)


@pytest.mark.browser
def test_files_and_seals_break_no_bound_of_screen_and_finger(page: Page, door: Door) -> None:
    door.keep("seal", {"session": door.ask("record", {})["session"]})
    page.locator("#file-choose").set_input_files([file("a" * 70 + ".jpg", picture(1)), file("b.txt", b"b\n")])
    expect(page.locator("[data-file]")).to_have_count(2, timeout=SEALED_MS)
    for width in (360, 2560):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("() => document.documentElement.scrollWidth") <= width
    assert page.evaluate(TOO_SMALL) == []
    page.locator("[data-seal=check]").click()
    expect(page.locator(".checked-seals .judged")).to_be_visible(timeout=SEALED_MS)
    for theme in ("light", "dark"):
        page.evaluate("(theme) => { document.documentElement.dataset.theme = theme; }", theme)
        page.evaluate(AXE)
        assert page.evaluate(RULES) == []
