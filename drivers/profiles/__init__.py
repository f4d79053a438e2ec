"""What each kind of gauge sends and how its port is set: one TOML file per kind, without code."""

from drivers.profiles.loading import load_profiles
from drivers.profiles.profile import Profile, SerialSettings

__all__ = ["Profile", "SerialSettings", "load_profiles"]
