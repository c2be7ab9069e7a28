"""The command `demo`."""

from __future__ import annotations

from densiscan.cli.measure_output import reading_now, show_readings
from densiscan.cli.options import JsonOption, now, show


def demo(as_json: JsonOption = False) -> None:
    """Run the main job on the sample scans.

    Calibrates with the sample wedge, measures the sample negatives, writes nothing, and says where to go next.

    For example:

        densiscan demo
    """
    from densiscan.cli.samples import GREETING, NEXT, sample_scans

    samples = sample_scans()
    from densiscan.batch.assessment import Task
    from densiscan.batch.files import measure_files
    from densiscan.calibration.make import Label
    from densiscan.calibration.make import calibrate as calibrated
    from densiscan.negative.options import MeasureOptions
    from densiscan.report.readings import paragraph, row_text, table_head, trust_text
    from densiscan.scan.scan import open_scan
    from densiscan.wedge.wedge import read_wedge

    label = Label(name="sample", created=now())
    calibration = calibrated(open_scan(samples.wedge), read_wedge(samples.densities), label=label)
    result = measure_files(samples.negatives, calibration, Task(options=MeasureOptions()), progress=reading_now)
    if as_json or result.failures:
        show_readings(result, calibration, None, as_json=as_json)
        return
    show(GREETING.format(wedge=samples.wedge.name, densities=samples.densities.name))
    show(paragraph(f"{len(calibration.steps)} steps. {trust_text(calibration)}"))
    show(f"\n  densiscan measure {' '.join(file.name for file in samples.negatives)}\n")
    show("\n".join([table_head(calibration), *(row_text(assessment) for assessment in result.assessments)]))
    show(NEXT.rstrip())
