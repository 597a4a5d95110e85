"""Source-measure units on both lines keep the contracts of drivers, each check a test of the plug-in."""

import asyncio

from luggin.drivers.conformance_plugin import ConformanceCheck
from support.smu import smu


async def test_conformance(conformance_check: ConformanceCheck) -> None:
    """On both lines at once, to save time; what is skipped the capability says."""
    async with smu("tcp") as one, smu("pty", "crlf") as other:
        outcomes = await asyncio.gather(
            conformance_check.within(one.driver), conformance_check.within(other.driver), return_exceptions=True
        )
    for outcome in outcomes:
        if outcome is not None:
            raise outcome
