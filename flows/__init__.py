"""The night under a scheduler: the only room that knows Prefect.

Importing it first keeps Prefect quiet and to itself: nothing is reported to anybody. What the environment
already says counts.
"""

import os

_QUIET = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "false",
    "PREFECT_LOGGING_ROOT_LEVEL": "WARNING",
    "PREFECT_LOGGING_LEVEL": "WARNING",
    "DASK_LOGGING__DISTRIBUTED": "warning",
    # The first start of the in-process server makes its database, which takes a slow machine half a minute.
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "120",
}
for _name, _value in _QUIET.items():
    os.environ.setdefault(_name, _value)
