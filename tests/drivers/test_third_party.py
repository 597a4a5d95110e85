"""A third party's driver, as its author would: built, installed with luggin where nothing of this tree is, checked.

The driver and the instrument are those that `drivers/DRIVERS.md` leads through.
"""

from pathlib import Path

import pytest

from support.wheels import ROOT, carried_out, copy_of, copy_of_luggin, environment, wheel

DRIVER = ROOT / "tests" / "third_party_driver"


@pytest.mark.long
def test_a_third_party_driver_is_built_installed_and_keeps_the_contracts(tmp_path: Path) -> None:
    ours = copy_of_luggin(tmp_path / "sources" / "luggin")
    theirs = copy_of(DRIVER, tmp_path / "sources" / "luggin-brook")
    binaries, packages = environment(tmp_path, [wheel(ours, tmp_path), wheel(theirs, tmp_path)])
    python = binaries / "python"

    where = carried_out(python, "-c", "import luggin.drivers; print(luggin.drivers.__file__)", folder=tmp_path)
    assert Path(where.strip()).is_relative_to(packages)
    told = carried_out(python, "-m", "pytest", "-q", "-rs", "-p", "no:cacheprovider", "tests", folder=theirs)
    assert "17 passed, 3 skipped" in told, told
    assert "the capability says that there is no dead-man timer" in told
