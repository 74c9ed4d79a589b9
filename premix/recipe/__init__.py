"""Recipe stage: YAML to a validated Recipe, every problem at once with file:line:column."""
