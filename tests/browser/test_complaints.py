"""What the other tests rest on: a browser that leaves the host, or complains, is noticed."""

import httpx
import pytest

from tests.browser.served import Complaints


@pytest.fixture
def listened(browser, served_empty):
    complaints = Complaints()
    # The policy of the pages would stop what is done here.
    context = browser.new_context(base_url=served_empty.address, bypass_csp=True)
    complaints.listen(context, served_empty.address)
    page = context.new_page()
    page.goto("/sign-in")
    assert complaints == Complaints()
    yield page, complaints
    context.close()


def test_a_request_to_another_host(listened):
    page, complaints = listened
    page.evaluate("fetch('http://elsewhere.invalid/picture').catch(() => null)")
    assert complaints.left_the_host == ["http://elsewhere.invalid/picture"]


def test_a_message_of_the_browser(listened):
    page, complaints = listened
    page.evaluate("console.error('something is wrong')")
    assert complaints.told == ["something is wrong"]


def test_an_exception_of_a_script(listened):
    page, complaints = listened
    page.evaluate("setTimeout(() => { throw new Error('fell over') })")
    page.wait_for_timeout(200)
    assert len(complaints.told) == 1
    assert "fell over" in complaints.told[0]


def test_a_part_that_is_missing(listened, served_empty):
    page, complaints = listened
    page.evaluate(
        "new Promise(done => { const one = new Image(); one.onerror = done; one.src = '/static/none.png'; "
        "document.body.append(one) })"
    )
    assert complaints.failed == [f"404 {served_empty.address}/static/none.png"]


def test_the_policy_of_the_pages_is_one_that_stops_other_hosts(served_empty):
    policy = httpx.get(f"{served_empty.address}/sign-in").headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "'unsafe" not in policy
