"""The stages, one module each; every one has ``run(layout, unit, settings, **options)``."""
