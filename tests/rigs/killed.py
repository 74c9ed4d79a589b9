"""A run that is killed before one of its steps, for replacements that must be whole at every one."""

from collections.abc import Callable


class KilledError(BaseException):
    """Stands for SIGKILL: no handler of the code under test catches it."""


def dying_at(cut: int) -> Callable[[Callable[..., object]], Callable[..., object]]:
    """Wraps functions so that the `cut`-th call of all of them together raises KilledError instead."""
    steps = 0

    def dying(real: Callable[..., object]) -> Callable[..., object]:
        def step(*args: object, **kwargs: object) -> object:
            nonlocal steps
            steps += 1
            if steps == cut:
                raise KilledError
            return real(*args, **kwargs)

        return step

    return dying
