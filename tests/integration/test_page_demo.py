"""What `andante demo --keep` leaves open: the page as the last round left it, with the banner of its login."""

import asyncio

import httpx

from andante.assess import RoundReport
from andante.demo import play, read_script, served, service_for, staged
from andante.triggers.demonstration import page_of


def test_the_demo_serves_the_page_of_its_last_round() -> None:
    script = read_script(("refractory-phosphate", "plain-course"))
    reports: list[RoundReport] = []
    with staged(script) as stage:
        service = service_for(script)
        asyncio.run(play(stage, service, days=2, after_round=lambda _day, _at, report: reports.append(report)))
        with served(page_of(stage, reports[-1])) as address:
            with httpx.Client(base_url=address, follow_redirects=True) as client:
                assert "Development login." in client.get("/page").text
                page = client.post("/page/sign-in", data={"name": "Ada Quill", "role": "decide"}).text
            assert "From the round of <strong>25 Mar 20:00</strong>" in page
            assert "Heron 4" in page
            assert f"{len(reports[-1].outcomes)} of {len(reports[-1].outcomes)} patients" in page
