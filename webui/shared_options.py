"""Options that several commands have, said once: targets, plan and lens of a check."""

from pathlib import Path

import click

# Whether a file is there is told when it is read, in one way for files named anywhere.
EXISTING = click.Path(path_type=Path)

targets_option = click.option(
    "--target",
    "target_paths",
    metavar="T.json",
    type=EXISTING,
    required=True,
    multiple=True,
    help="Target file; again for each further target.",
)
plan_option = click.option(
    "--plan", "plan_path", metavar="PLAN.json", type=EXISTING, help="What the work is held against."
)
lens_option = click.option(
    "--lens", "lens_path", metavar="LENS.json", type=EXISTING, help="Lens file of the calibrated camera."
)
