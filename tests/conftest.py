"""What every test run shares: how Hypothesis searches."""

import os

from hypothesis import HealthCheck, settings

_SHARED = settings(
    deadline=None,  # a busy machine is not a failure: no test judges by the clock
    suppress_health_check=[HealthCheck.too_slow],
    print_blob=True,
)
settings.register_profile("search", _SHARED)
settings.register_profile("same-each-time", _SHARED, derandomize=True)
settings.load_profile("same-each-time" if os.environ.get("FILLGUARD_CHECK") else "search")
