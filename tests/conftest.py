"""For every test of legtest itself."""

pytest_plugins = ["pytester"]  # inner runs of pytest, for tests/plugin
