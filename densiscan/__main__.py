"""`densiscan` and `python -m densiscan`: run the command line of this process."""

import os
import signal
import sys
import warnings


def main() -> None:
    """Run the command line of this process, and end with its status."""
    try:
        # Not at the top: the command line takes a moment to import, and Ctrl-C may come in it.
        from densiscan.arithmetic.one_thread import keep_to_one_thread
        from densiscan.cli.app import run
        from densiscan.cli.options import DEBUG_VARIABLE

        keep_to_one_thread()
        if not os.environ.get(DEBUG_VARIABLE):
            # What a library warns of is for us, not for a person who prints.
            warnings.simplefilter("ignore")
        status = run(sys.argv[1:])
        # All is done or told; while Python winds up, another Ctrl-C ends it without a trace.
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    except KeyboardInterrupt:
        sys.stderr.write("densiscan: stopped.\n")
        status = 130
    sys.exit(status)


if __name__ == "__main__":
    main()
