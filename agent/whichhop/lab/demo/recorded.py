"""The demo where namespaces are refused: samples recorded in the emulated home, judged anew."""

from pathlib import Path

from whichhop.compare.comparison import compare_records, comparison_data
from whichhop.errors import DataError
from whichhop.lab.demo.run import Shown
from whichhop.lab.demo.stories import Story, outcome
from whichhop.lab.standard_home import alder_home
from whichhop.model import Record
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.files import read_file


def recorded_folder() -> Path:
    """Where a checkout keeps the recordings; an installed package alone has none."""
    return Path(__file__).parents[4] / "shared" / "recorded"


def replay(story: Story, folder: Path) -> Shown:
    """Judge a recorded story; DataError when there is no recording."""
    file = folder / f"{story.name}.jsonl.gz"
    if not file.exists():
        raise DataError(f"{file}: no recording there; run the demo from a checkout of the project")
    everything = read_file(file)
    records = [x for x in everything if isinstance(x, Record)]
    readings = [x for x in everything if not isinstance(x, Record)]
    if not records:
        raise DataError(f"{file}: holds no records; get the file from the project again")
    last = max(r.samples.sent_ns[-1] for r in records if len(r.samples))
    start = min(r.minute for r in records) * NS_PER_MINUTE
    found = compare_records(alder_home(), records, readings, start_ns=start, end_ns=last)
    if found is None:
        raise DataError(f"{file}: holds nothing of this home; get the file from the project again")
    data = comparison_data(found)
    return Shown(
        story=story,
        outcome=outcome(story, data["verdicts"], None),
        seconds=(last - start) / 1e9,
        from_fault_s=None,
        compared=data,
        recorded=True,
    )
