"""From a target's config file to settings in which every key has a value."""

from pipeline.errors import ConfigError
from pipeline.settings.findings import summary
from pipeline.settings.meaning import check_meaning
from pipeline.settings.source import read_source
from pipeline.settings.tables import all_keys
from pipeline.settings.validate import check_values

__all__ = ["find_mistakes", "load_settings"]


def load_settings(path):
    """Read a target's config.

    Parameters
    ----------
    path : the YAML file

    Returns
    -------
    nested dict, section -> key -> value, complete with defaults

    Raises
    ------
    ConfigError : with every mistake in the file, one a line
    """
    settings, findings = find_mistakes(path)
    if findings:
        raise ConfigError(summary(path, findings))
    return settings


def find_mistakes(path):
    """Return (settings, findings) of a config file; the settings are usable only without findings."""
    source = read_source(path)
    if source.findings and not source.values:
        return {}, source.findings
    checked = check_values(source.values, all_keys(), lines=source.lines)
    check_meaning(checked)
    return checked.settings, source.findings + checked.findings
