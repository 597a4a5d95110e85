"""What is wrong with an installation, and what to do about it; nothing is energised, nothing is changed.

Each module looks at one thing and gives findings; which things there are, the list in `everything` says.
"""

from luggin.daemon.checkup.everything import check_up
from luggin.daemon.checkup.finding import Finding, Grade

__all__ = ["Finding", "Grade", "check_up"]
