"""Whether the page can be made: its libraries are an extra."""

import importlib.util

from premix.messages.report import SLUGS
from premix.model.finding import Finding

_NEEDED = ("jinja2", "matplotlib")


def missing_extra() -> Finding | None:
    """What to tell the user where the extra `report` is not installed; None where it is."""
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if not missing:
        return None
    slug = "report-extra-missing"
    return Finding(slug, "info", "report", f"no page was made: {' and '.join(missing)} not installed", SLUGS[slug])
