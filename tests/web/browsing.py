"""How a person comes in with a real browser."""

from __future__ import annotations

from playwright.sync_api import Browser, BrowserContext, Page, expect

from web.serving import Server


def come_in(browser: Browser, server: Server, script: bool = True) -> tuple[BrowserContext, Page]:
    context = browser.new_context(
        base_url=server.address, java_script_enabled=script, viewport={"width": 1366, "height": 900}
    )
    context.set_default_timeout(20_000)
    page = context.new_page()
    page.goto("/")
    page.fill("#name", "Ada")
    page.click("button:has-text('Come in')")
    expect(page.locator("h1")).to_have_text("Trips")
    return context, page
