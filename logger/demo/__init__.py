"""An invented instrument with planted faults, measured by simulated gauges through real serial links."""
