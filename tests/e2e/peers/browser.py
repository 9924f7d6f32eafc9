"""A person with a real browser (Chromium) before the page: one story a run, what came of it as one line of JSON.

Whatever the page does on its way that it should not (a script error, something its own policy forbids, a dialog that
somebody's text opened) is in `wrong`.
"""

import argparse
import json
import os

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

PASSWORD = "harbour lantern gravel"
VIEWS = ["", "sump/{}", "alarms", "log", "log/{}", "cleanout/{}", "topup/{}", "instruments", "people"]


class Person:
    """One browser of one person."""

    def __init__(self, browser, base, width=360, scheme="light"):
        self.base = base
        self.wrong = []
        self.context = browser.new_context(viewport={"width": width, "height": 780}, color_scheme=scheme)
        self.page = self.context.new_page()
        self.page.on("console", self.heard)
        self.page.on("pageerror", lambda error: self.wrong.append(f"script: {error}"))
        self.clicks = 0

    def heard(self, message):
        # A status that the gateway answers on purpose is logged by the browser as well.
        if message.type == "error" and "Failed to load resource" not in message.text:
            self.wrong.append(message.text)

    def go(self, view):
        self.page.goto(f"{self.base}/#/{view}")
        self.page.wait_for_selector("#view :is(article, .overview)")

    def tap(self, what):
        self.clicks += 1
        what.click()

    def button(self, words):
        return self.page.get_by_role("button", name=words, exact=True).first

    def told(self, words):
        """Waits until a form says so."""
        told = self.page.locator(".told", has_text=words).first
        told.wait_for()
        return told.inner_text()

    def log_in(self, name):
        self.go("people")
        self.page.get_by_label("Name", exact=True).fill(name)
        self.page.get_by_label("Password", exact=True).fill(PASSWORD)
        self.button("Log in").click()
        self.page.get_by_role("heading", name=name, exact=True).wait_for()

    def ask(self, path):
        return self.page.evaluate("path => fetch(path).then((answer) => answer.json())", path)


def first_login(person, given):
    """The first person by the code of the log, then one more, who logs in."""
    person.go("people")
    person.page.get_by_label("Code").fill(given["code"])
    person.page.get_by_label("Your name").fill("kim")
    person.page.get_by_label("Password").fill(PASSWORD)
    person.button("Make the first person").click()
    person.page.get_by_role("heading", name="kim", exact=True).wait_for()
    person.page.get_by_label("Name of a new person").fill("sam")
    person.page.get_by_label("Role").last.select_option("log")
    person.page.get_by_label("Password", exact=True).last.fill(PASSWORD)
    person.button("Make this person").click()
    person.page.get_by_label("sam", exact=True).wait_for()
    person.button("Log out").click()
    person.page.get_by_role("heading", name="Log in", exact=True).wait_for()
    return {"session": person.ask("/session")}


def log_reading(person, given):
    """A refractometer reading with a decimal comma: which machine, what, save."""
    person.log_in("sam")
    person.go("log")
    person.clicks = 0
    person.tap(person.page.get_by_role("link", name=given["title"]))
    person.tap(person.button("Refractometer"))
    person.page.get_by_label("refractometer").fill("5,2")
    person.tap(person.button("Save"))
    told = person.told("Noted")
    return {"told": told, "taps": person.clicks, "journal": notes_of(person, given)}


def by_sticker(person, given):
    """Somebody without a login scans the code on the machine."""
    person.page.goto(person.base + given["link"])
    person.tap(person.button("pH"))
    person.page.get_by_label("pH by hand").fill("9.1")
    person.page.get_by_label("Your name").fill("Robin")
    person.tap(person.button("Save"))
    told = person.told("Noted")
    return {"told": told, "journal": notes_of(person, given)}


def notes_of(person, given):
    records = person.ask(f"/journal?sump={given['sump']}&limit=50")["records"]
    return [record["message"] for record in records if record["subject"] == "note"]


def alarms(person, given):
    """The first alarm is seen, then shelved with a reason."""
    person.log_in("sam")
    person.go("alarms")
    person.button("Seen").click()
    person.page.get_by_role("heading", name="Seen", exact=True).wait_for()
    person.page.locator("summary", has_text="Shelve").first.click()
    shelve = person.page.locator("details[open]").first
    shelve.get_by_label("Why").fill("probe is being cleaned")
    shelve.get_by_role("button", name="Shelve").click()
    person.page.get_by_role("heading", name="Silenced", exact=True).wait_for()
    state = person.ask("/state")
    found = [alarm for holder in [state, *state["sumps"]] for alarm in holder["alarms"]]
    return {"shelved": [alarm["id"] for alarm in found if alarm["state"] == "SHLVD"]}


def cleanout(person, given):
    """A clean-out is begun on its sheet, which says what to do now."""
    person.log_in("sam")
    person.go(f"cleanout/{given['sump']}")
    person.page.on("dialog", lambda dialog: dialog.accept())
    person.page.get_by_role("heading", name="Mind").wait_for()
    cautions = person.page.get_by_role("heading", name="Mind").locator("..").locator("li").all_inner_texts()
    person.button("Begin a clean-out").click()
    person.page.locator(".steps [aria-current=step]").wait_for()
    step = person.page.locator(".steps [aria-current=step]").inner_text()
    running = person.ask(f"/sumps/{given['sump']}")["fill"]["cleanout"]["stage"]
    person.button("Abandon it").click()
    person.button("Begin a clean-out").wait_for()
    return {"cautions": cautions, "step": step, "running": running}


def take_point(person, given):
    """Waits until the signal stands still in this liquid, and takes the point."""
    live = person.page.locator(".live", has_text="It stands still.").filter(has_text=f"Liquid: {given['liquid']}")
    live.wait_for(timeout=120_000)
    person.button("Take this point").click()
    return person.told("Taken.")


def calibrate_begin(person, given):
    """The first buffer of a calibration."""
    person.log_in("sam")
    person.go(f"calibrate/{given['sump']}/ph")
    person.page.get_by_role("heading", name="Mind").wait_for()
    cautions = person.page.get_by_role("heading", name="Mind").locator("..").locator("li").all_inner_texts()
    person.page.get_by_label("Buffers").select_option("technical")
    person.button("Begin").click()
    return {"cautions": cautions, "told": take_point(person, given)}


def calibrate_finish(person, given):
    """The second buffer, and the end."""
    person.log_in("sam")
    person.go(f"calibrate/{given['sump']}/ph")
    take_point(person, given)
    came = person.page.get_by_role("heading", name="What comes of it").locator("..")
    came.wait_for()
    text = came.inner_text()
    person.button("Finish and use it").click()
    return {"came": text, "told": person.told("Finished")}


def units(person, given):
    """Gallons and grains, on the way out and on the way in."""
    person.log_in("sam")
    person.page.get_by_label("Volume, temperature, length").select_option("us")
    person.page.get_by_label("Hardness").select_option("gpg")
    person.button("Use these units").click()
    person.page.get_by_label("Volume, temperature, length").wait_for()
    person.go(f"log/{given['sump']}")
    person.button("Top-up").click()
    person.page.get_by_label("How much, gal").fill("10")
    person.button("Save").click()
    person.told("Noted")
    person.go(f"sump/{given['sump']}")
    text = person.page.locator("#view").inner_text()
    return {"text": text, "journal": notes_of(person, given)}


def calculator(person, given):
    """What to pour into 100 L at 4 % to have 150 L at 6 %."""
    person.go(f"topup/{given['sump']}")
    for label, value in [("In the sump now, L", "100"), ("Concentration now, %", "4"), ("Fill up to, L", "150"), ("Concentration wanted, %", "6,0")]:
        person.page.get_by_label(label).fill(value)
    person.button("What to pour").click()
    person.page.locator(".answer .large").wait_for()
    return {"text": person.page.locator(".answer").inner_text()}


def keyboard(person, given):
    """To an alarm's page and back without a mouse."""
    person.go("")
    seen = []
    for _ in range(40):
        person.page.keyboard.press("Tab")
        seen.append(person.page.evaluate("document.activeElement.textContent"))
        if seen[-1].startswith("Alarms"):
            break
    person.page.keyboard.press("Enter")
    person.page.get_by_role("heading", name="Alarms", exact=True).wait_for()
    focused = person.page.evaluate("document.activeElement.textContent")
    return {"seen": seen, "focused": focused}


def looks(browser, given, screens):
    """Every view at three widths, by day and night: what the accessibility check finds, what runs out of the screen."""
    found = []
    for width, scheme in [(360, "light"), (768, "dark"), (1440, "light")]:
        person = Person(browser, given["base"], width, scheme)
        person.log_in("kim")
        for view in VIEWS:
            person.go(view.format(given["sump"]))
            person.page.wait_for_timeout(700)
            for violation in Axe().run(person.page).response["violations"]:
                nodes = [node["html"][:200] for node in violation["nodes"][:3]]
                found.append({"view": view, "width": width, "rule": violation["id"], "nodes": nodes})
            across = person.page.evaluate("document.documentElement.scrollWidth")
            if across > width:
                found.append({"view": view, "width": width, "rule": f"runs {across - width} px out of the screen"})
            if screens:
                name = view.split("/")[0] or "overview"
                person.page.screenshot(path=os.path.join(screens, f"{name}-{width}.png"))
        found += [{"view": "", "width": width, "rule": wrong} for wrong in person.wrong]
        person.context.close()
    return {"found": found}


def attack(person, given):
    """Titles and notes that would run, load or break out are shown as the texts they are."""
    opened = []
    person.page.on("dialog", lambda dialog: (opened.append(dialog.message), dialog.dismiss()))
    elements = {}
    for view in VIEWS:
        person.go(view.format(given["sump"]))
        person.page.wait_for_timeout(400)
        elements[view] = person.page.evaluate(
            "[...document.querySelectorAll('#view *')].map((one) => one.tagName).filter((tag) => /^(script|img|iframe|object|embed|link|style|base|meta)$/i.test(tag))"
        )
    person.go("")
    shown = person.page.locator("#view").inner_text()
    person.go(f"sump/{given['sump']}")
    person.page.locator(".records time").first.wait_for()
    past = person.page.locator(".records").inner_text()
    return {"dialogs": opened, "elements": elements, "shown": shown, "past": past}


def throttled(person, given):
    """A slow phone: 400 kbit/s, 400 ms there and back, a quarter of the speed. What it fetches, and when it is of use."""
    client = person.context.new_cdp_session(person.page)
    client.send("Network.enable")
    sizes = []
    client.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    conditions = {"offline": False, "latency": 400, "downloadThroughput": 50_000, "uploadThroughput": 25_000}
    client.send("Network.emulateNetworkConditions", conditions)
    client.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    person.page.goto(person.base + "/")
    person.page.wait_for_selector(".overview .sheet")
    ready = person.page.evaluate("performance.now()")
    return {"bytes": sum(sizes), "requests": len(sizes), "ms": ready}


STORIES = {
    story.__name__: story
    for story in [
        first_login, log_reading, by_sticker, alarms, cleanout, calibrate_begin, calibrate_finish, units, calculator, keyboard,
        attack, throttled,
    ]
}


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("story", choices=[*STORIES, "looks"])
    parser.add_argument("--chromium", required=True)
    parser.add_argument("--given", type=json.loads, required=True)
    parser.add_argument("--screens")
    arguments = parser.parse_args()
    given = arguments.given
    with sync_playwright() as playwright:
        # Run as root, as tests are in a container, Chromium takes no sandbox.
        browser = playwright.chromium.launch(executable_path=arguments.chromium, args=["--no-sandbox"])
        if arguments.story == "looks":
            came = looks(browser, given, arguments.screens)
        else:
            person = Person(browser, given["base"])
            came = STORIES[arguments.story](person, given)
            came["wrong"] = person.wrong
        browser.close()
    print(json.dumps(came), flush=True)


main()
