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
    from densiscan.cli.samples import GREETING, NEXT, THEN, sample_scans

    samples = sample_scans()
    from densiscan.batch.assessment import Task
    from densiscan.batch.files import measure_files
    from densiscan.calibration.make import Label
    from densiscan.calibration.make import calibrate as calibrated
    from densiscan.negative.reading import MeasureOptions
    from densiscan.report.readings import calibration_text
    from densiscan.scan.scan import open_scan
    from densiscan.wedge.wedge import read_wedge

    label = Label(name="sample", created=now())
    calibration = calibrated(open_scan(samples.wedge), read_wedge(samples.densities), label=label)
    if not as_json:
        show(GREETING.format(folder=samples.folder, wedge=samples.wedge.name, densities=samples.densities.name))
        show(calibration_text(calibration))
        show(THEN.format(scans=" ".join(file.name for file in samples.negatives)))
    result = measure_files(samples.negatives, calibration, Task(options=MeasureOptions()), progress=reading_now)
    try:
        show_readings(result, calibration, None, as_json=as_json)
    finally:
        if not as_json:
            show(NEXT)
