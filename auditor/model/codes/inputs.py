"""Codes of findings on what was handed in: folders, checksums, orders, logs."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

InputsCode = Literal[
    "cannot_open", "changed_while_reading", "copies_not_identical", "link_not_followed",
    "linked_twice", "log_not_taken", "log_rows_left_out", "not_read_to_the_end",
    "order_facts_missing", "remote_study", "timezone_without_summer_time", "too_many_files",
]  # fmt: skip

CODES: dict[InputsCode, Entry] = {
    "cannot_open": Entry(
        "problem",
        meaning="A file or folder that could not be opened or listed",
        text="This {kind} could not be opened ({why}). Recordings in it, if any, are not counted.",
        action="Check its permissions, then run the audit again.",
        question="files",
        headline="{name} could not be opened: {why}",
    ),
    "changed_while_reading": Entry(
        "problem",
        meaning="A file that changed, grew or vanished while it was read",
        text="This file changed or vanished while it was read, so its recorded time may be neither "
        "that of before nor that of after.",
        expected="{size} bytes, untouched",
        observed="other size or time of change, or the file is gone",
        action="Wait until copying has ended, then run the audit again.",
        headline="{name} changed while it was read",
    ),
    "copies_not_identical": Entry(
        "problem",
        meaning="Files taken as the same that have different checksums",
        text="These files agree in size, header and at places all over, and were taken as the "
        "same, but their checksums differ: {named}. One of them is damaged.",
        action="Find out which of them is sound, and leave the other out.",
        headline="files taken as the same differ: {named}",
    ),
    "link_not_followed": Entry(
        meaning="A link in the folder that was not followed",
        text="This link was not followed: {why}. Recordings behind it, if any, are not counted.",
        action="Give the folder itself if it belongs to the study.",
        question="files",
        headline="A link was not followed: {name}",
    ),
    "linked_twice": Entry(
        "info",
        meaning="One file under several names; it was read once",
        text="This name and another lead to one and the same file; it was read once.",
        observed="the same file as {first}",
    ),
    "log_not_taken": Entry(
        meaning="A log of checks or of video that could not be placed in the recording, so that it "
        "documents nothing until a person looks at it",
        text="The {kind} log {name} is not taken: {why}. The audit goes on without it. Its first "
        "rows: {rows}",
        expected="dates that lie in the recording when read in just one way",
        action="Look at the log's dates. Write them as 2027-03-02 09:30, or name the log that "
        "belongs to this study.",
        question="billing",
    ),
    "log_rows_left_out": Entry(
        meaning="Rows of a log of checks or of video that could not be read; the others are taken",
        text="{count} of the {kind} log {name} cannot be read; the others are taken. {rows}",
        expected="a date and a time in each row that can be read in just one way",
        action="Write date and time of these rows as 2027-03-02 09:30.",
        question="billing",
    ),
    "not_read_to_the_end": Entry(
        "problem",
        meaning="A file whose bytes could not all be read",
        text="This file could not be read to its end ({why}): no checksum, counted, none of it "
        "usable.",
        forms={
            "bytes": "{size} bytes of this file, between bytes {first} and {last}, could not be "
            "read, so it has no checksum. The seconds that they hold are recorded and not usable."
        },
        action="Copy the file from the card again, or read the card on another computer.",
        headline="{name} could not be read to its end",
    ),
    "order_facts_missing": Entry(
        "info",
        meaning="The hospital's request leaves out facts that the audit could use",
        text="The hospital's request does not give: {facts}. The audit goes on without; recorded "
        "time does not depend on it.",
        action="Ask for these facts, or write an order file that holds them.",
    ),
    "remote_study": Entry(
        "info",
        meaning="The study lies in remote storage; how many of its bytes were fetched",
        text="The study lies in remote storage. {fetched_bytes:,} of {stored_bytes:,} bytes were "
        "fetched in {reads:,} reads; all that was needed to measure the recorded time. No "
        "checksums were made: every byte would have had to be fetched.",
        observed="{fetched_bytes} of {stored_bytes} bytes in {reads} reads",
        action="Keep checksums beside the files in the storage, where they must be identified "
        "later.",
    ),
    "timezone_without_summer_time": Entry(
        meaning="The order names a time zone that has no summer time and is no place",
        text="The time zone {zone} is a fixed offset without summer time. If the patient's clock "
        "changes in the year, times on one side of the change are an hour off.",
        expected="the name of a place, such as America/New_York",
        action="Write the zone of the place where the patient was.",
        question="files",
        headline="The time zone {zone} has no summer time: is it the patient's?",
    ),
    "too_many_files": Entry(
        "problem",
        meaning="More files than the limit; the rest were not looked at",
        text="The folder holds more than {most} entries; the rest were not looked at, and "
        "recordings among them are not counted.",
        action="Give the folder of one study.",
    ),
}
