"""The night under a scheduler: the only package that knows Prefect.

In: a lake, OUT, a cron (`nightly.py`). Out: the night as a flow run with artifacts (`night_flow.py`, `account.py`), on
this machine or a Dask cluster (`cluster.py`). Importing it first keeps Prefect quiet, and nothing is reported to
anybody, unless the environment says otherwise. Open `night_flow.py` first, then `nightly.py`.

>>> import os, flows
>>> os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"]
'false'
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
