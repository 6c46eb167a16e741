"""What the driver must be told."""

from pydantic import Field, model_validator

from linkloss.model.table import Table
from linkloss.model.units import Duration


class NoticeTable(Table):
    """What the driver must be told, by which signal, and how soon."""

    lost: str | None = Field(default=None, description="a node whose status message stays away")
    stuck: str | None = Field(default=None, description="an input active for implausibly long")
    longest: Duration | None = Field(default=None, description="longest plausible time of 'stuck'")
    failed: tuple[str, ...] = Field(
        default=(),
        description="loads with a blown fuse, an open or shorted lead, or a welded relay",
    )
    signal: str = Field(description="Message.Signal that is not zero while the notice is given")
    within: Duration = Field(description="time from the trouble to the notice, and back")

    @model_validator(mode="after")
    def _one_kind(self) -> "NoticeTable":
        if (self.lost is not None) + (self.stuck is not None) + bool(self.failed) != 1:
            raise ValueError("expected one of 'lost' (a node), 'stuck' (input), 'failed' (loads)")
        if (self.stuck is None) != (self.longest is None):
            raise ValueError("'stuck' and 'longest' go together")
        return self
