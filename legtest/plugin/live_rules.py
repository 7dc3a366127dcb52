"""What a run on a real bus may be combined with: refused here, all at once, before a port opens.

`--live` is a decision of the person who types it: not of a file, an environment variable, a conftest or a plugin. Who
typed cannot be proven from the command line; a fresh sign-off of the bench is what shows that somebody was there.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from typing import Any

import pytest

LIVE = "--live"
TYPED_WITH_LIVE = ("--leg", "--bench", "--signoff")
# Plugins that these rules know, by the name of their distribution; another one must be typed with -p.
KNOWN = frozenset(
    ("legtest", "hypothesis", "platformdirs")
    + tuple(f"pytest-{name}" for name in ("cov", "forked", "random-order", "rerunfailures", "timeout", "xdist"))
)


def check_live(config: pytest.Config) -> None:
    """Raises pytest.UsageError with everything that keeps this session from a real bus; nothing without --live."""
    if not config.getoption(LIVE):
        return
    typed = typed_arguments(config)
    if LIVE not in typed:
        raise pytest.UsageError("--live came from configuration, the environment or a file: it must be typed")
    missing = [option for option in TYPED_WITH_LIVE if not config.getoption(option)]
    if missing:
        raise pytest.UsageError(f"--live needs {' and '.join(missing)}")
    problems = [
        *(f"{o}: typed otherwise, or not at all: with --live it must be typed" for o in _not_typed(config, typed)),
        *_processes(config),
        *_modes(config),
        *_plugins(config, typed),
    ]
    if tracer := tracing():
        problems.append(tracer)
    if problems:
        raise pytest.UsageError("\n".join(problems))


def check_live_items(items: Sequence[pytest.Item], everything: Sequence[pytest.Item]) -> None:
    """Raises pytest.UsageError for tests of a live bench that are run in another process, again, or many times.

    everything: also the tests without a bench; nobody should take a property test on a simulated leg for a live one.
    """
    problems = [f"{item.nodeid}: {GIVEN}" for item in everything if is_given(item)]
    for item in items:
        for mark, why in (("forked", "runs the test in a copy of the process"), ("flaky", "runs a failed test again")):
            if item.get_closest_marker(mark) is not None:
                problems.append(f"{item.nodeid}: the mark {mark!r} {why}: leave it out with --live")
        timeout = item.get_closest_marker("timeout")
        if timeout is not None and "thread" in (*timeout.args[1:], timeout.kwargs.get("method")):
            problems.append(f"{item.nodeid}: {_THREAD}")
    if problems:
        raise pytest.UsageError("\n".join(problems))


GIVEN = "hypothesis runs a test many times with inputs nobody has seen: no @given around a live bench"
_THREAD = "a timeout by a thread ends the process and leaves the leg to itself: use --timeout-method=signal with --live"


def is_given(item: pytest.Item) -> bool:
    """Whether a test is one of hypothesis'."""
    return bool(getattr(getattr(item, "obj", None), "is_hypothesis_test", False))


def refused_now() -> str:
    """Why the leg on a live bench may not move now, "" = it may: what cannot be known before the test runs."""
    hypothesis = sys.modules.get("hypothesis")
    if hypothesis is not None and hypothesis.currently_in_test_context():
        return GIVEN
    return tracing()


def tracing() -> str:
    """Who looks at every line that is run, in words, "" = nobody: a paused process does not attend to a leg."""
    monitoring: Any = getattr(sys, "monitoring", None)  # since Python 3.12
    debugged = monitoring is not None and monitoring.get_tool(monitoring.DEBUGGER_ID) is not None
    if sys.gettrace() is None and not debugged:
        return ""
    return "a debugger or a coverage tool traces this process: leave it out with --live (for coverage: --no-cov)"


def typed_arguments(config: pytest.Config) -> tuple[str, ...]:
    """What stood on the command line, or in the call of pytest.main, up to a `--`."""
    arguments = tuple(map(str, config.invocation_params.args))
    return arguments[: arguments.index("--")] if "--" in arguments else arguments


def plugins(config: pytest.Config) -> dict[str, str]:
    """Installed pytest plugins that are loaded: version by the name of the distribution."""
    return {dist.project_name: dist.version for _, dist in sorted_plugins(config)}


def sorted_plugins(config: pytest.Config) -> list[tuple[object, Any]]:
    """Plugin and distribution, by name."""
    return sorted(config.pluginmanager.list_plugin_distinfo(), key=lambda pair: str(pair[1].project_name))


def values_typed(typed: Sequence[str], option: str) -> Iterator[str]:
    """Values of a long option (`--leg X`, `--leg=X`) or of a short one (`-p X`, `-pX`)."""
    for argument, following in zip(typed, (*typed[1:], ""), strict=True):
        if argument == option:
            yield following
        elif option.startswith("--") and argument.startswith(f"{option}="):
            yield argument.removeprefix(f"{option}=")
        elif not option.startswith("--") and argument.startswith(option):
            yield argument.removeprefix(option)


def _not_typed(config: pytest.Config, typed: Sequence[str]) -> Iterator[str]:
    for option in TYPED_WITH_LIVE:
        used = config.getoption(option)
        said = list(values_typed(typed, option))
        if used not in (said, said[-1] if said else None):
            yield option


def _processes(config: pytest.Config) -> Iterator[str]:
    option = config.option
    parallel = getattr(option, "numprocesses", None) or getattr(option, "tx", None)
    if parallel or getattr(option, "dist", "no") != "no" or hasattr(config, "workerinput"):
        yield "--live runs in one process: leave out -n"
    if getattr(option, "forked", False) or getattr(option, "boxed", False):
        yield "--live runs in one process: leave out --forked"


def _modes(config: pytest.Config) -> Iterator[str]:
    option = config.option
    if any(getattr(option, name, None) for name in ("reruns", "force_reruns")) or _ini(config, "reruns"):
        yield "a test that failed on a live leg is not run again by itself: leave out --reruns"
    for name, typed in (("usepdb", "--pdb"), ("trace", "--trace")):
        if getattr(option, name, False):
            yield f"nobody attends to the leg while a debugger waits: leave out {typed}"
    for name, typed in (("setuponly", "--setup-only"), ("setupplan", "--setup-plan")):
        if getattr(option, name, False):
            yield f"{typed} runs no test, so it needs no live bench: leave out {typed} or --live"
    if _ini(config, "faulthandler_exit_on_timeout"):
        yield "faulthandler_exit_on_timeout ends the process and leaves the leg to itself: set it to false for --live"
    methods = [getattr(option, "timeout_method", None), _ini(config, "timeout_method")]
    methods.append(getattr(config, "_env_timeout_method", None))
    if "thread" in methods:
        yield _THREAD


def _plugins(config: pytest.Config, typed: Sequence[str]) -> Iterator[str]:
    asked = set(values_typed(typed, "-p"))
    for plugin, dist in sorted_plugins(config):
        name = str(config.pluginmanager.get_name(plugin))
        if dist.project_name not in KNOWN and asked.isdisjoint({name, getattr(plugin, "__name__", name)}):
            yield (
                f"the pytest plugin {name} ({dist.project_name} {dist.version}) is not known to be harmless on a live "
                f"bench: leave it out with -p no:{name}, or type -p {name}"
            )
    if os.environ.get("PYTEST_PLUGINS"):
        yield "PYTEST_PLUGINS loads plugins that nobody typed: unset it, or type -p NAME"


def _ini(config: pytest.Config, name: str) -> Any:
    try:
        return config.getini(name)
    except ValueError:  # not known to this pytest, or its plugin is not installed
        return None
