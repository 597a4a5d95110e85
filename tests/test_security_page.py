"""Every claim of the page on security that names a test names one that exists."""

import re
from pathlib import Path

REPOSITORY = Path(__file__).parents[1]
NAMED = re.compile(r"`(tests/[\w/]+\.py)(?:::(\w+))?`")


def test_claims_name_tests_that_exist() -> None:
    text = " ".join((REPOSITORY / "daemon" / "SECURITY.md").read_text(encoding="utf-8").split())
    found = NAMED.findall(text)
    assert len(found) > 20
    assert text.count("`tests/") == len(found)
    for path, name in found:
        source = (REPOSITORY / path).read_text(encoding="utf-8")
        assert not name or re.search(rf"^(async )?def {name}\(", source, re.MULTILINE), f"{path}::{name}"
