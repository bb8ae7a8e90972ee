"""The cheapest batch that satisfies every requirement: reading, model, weigh-out, proof and page."""

__version__ = "0.1.0"

TYPE_CHECKING = False
if TYPE_CHECKING:
    from optimizer.frames import cheapest_batch as cheapest_batch


def __getattr__(name: str) -> object:
    """``cheapest_batch``, the door for notebooks and scripts; late, so that the command starts without it."""
    if name == "cheapest_batch":
        from optimizer.frames import cheapest_batch

        return cheapest_batch
    raise AttributeError(name)
