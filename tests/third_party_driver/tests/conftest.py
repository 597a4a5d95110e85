pytest_plugins = ["luggin.drivers.conformance_plugin"]
