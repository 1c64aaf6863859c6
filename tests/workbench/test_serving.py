"""The workbench as a whole: it serves, and a page shows the verdict of what lies on it."""


def test_page_shows_the_verdict(bench, page):
    server, recording = bench
    page.goto(f"{server.url}/recordings/{recording}")
    page.wait_for_selector("#bench[data-stage=ready]")
    assert "slot 23 of the 60-2 wheel" in page.text_content(".verdict-line")
