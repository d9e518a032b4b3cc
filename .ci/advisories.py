"""Reads pip-audit's JSON and says in one line how the dependencies stand; exit status 1: a known hole.

A list that can't be reached fails nothing: what isn't known is said to be not checked.
"""

import json
import sys


def told(report: str) -> tuple[str, int]:
    """Return the line and the exit status."""
    try:
        dependencies = json.loads(report)["dependencies"]
    except (ValueError, KeyError, TypeError):
        return "advisories: not checked, no advisory list reachable", 0
    checked = [one for one in dependencies if "skip_reason" not in one]
    found = [
        f"{one['name']} {one['version']}: {hole['id']}"
        + (f" (fixed in {', '.join(hole['fix_versions'])})" if hole.get("fix_versions") else "")
        for one in checked
        for hole in one.get("vulns", [])
    ]
    if found:
        return f"advisories: {len(found)} known: {'; '.join(found)}", 1
    if not checked:
        return "advisories: not checked, no advisory list reachable", 0
    return (
        f"advisories: none known of {len(checked)} packages, {len(dependencies) - len(checked)} not checked",
        0,
    )


if __name__ == "__main__":
    line, status = told(sys.stdin.read())
    sys.stdout.write(line + "\n")
    sys.exit(status)
