"""Every target by its name."""

import fuzzed_charts
import fuzzed_requests
import fuzzed_servers
import fuzzed_tokens

TARGETS = {
    target.name: target
    for module in (fuzzed_charts, fuzzed_requests, fuzzed_servers, fuzzed_tokens)
    for target in module.TARGETS
}
