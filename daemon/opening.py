"""What a monitor does before anything else: claims its database, has the sampler open the input.

All that `daemon.app` needs beyond this can be imported while the device opens.
"""

from contextlib import ExitStack
from dataclasses import dataclass

from daemon.acquisition import Acquisition
from daemon.runtime import Claim, claim_database
from daemon.sampler_process import SamplerProcess
from daemon.settings import Settings


@dataclass(frozen=True, slots=True)
class Opening:
    """An input that is being opened for one database."""

    claim: Claim
    acquisition: Acquisition

    def close(self) -> None:
        """Give both up. Harmless the second time."""
        self.acquisition.close()
        self.claim.close()


def open_input(settings: Settings, sampler: SamplerProcess | None = None) -> Opening:
    """Claim the database, and only then touch the device.

    :param sampler: one that was started already.
    :raises InputError: another monitor writes to the same database.
    """
    with ExitStack() as undo:
        claim = claim_database(settings.store.path)
        undo.callback(claim.close)
        acquisition = Acquisition(settings.driver, sampler)
        undo.pop_all()
    return Opening(claim, acquisition)
