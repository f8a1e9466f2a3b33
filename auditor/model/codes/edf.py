"""Codes of findings on one file."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

EdfCode = Literal[
    "annotation_not_utf8", "annotation_only_file", "annotations_elsewhere", "annotations_malformed",
    "blank_records_counted", "blank_records_inside", "bytes_unreadable", "channel_scale_wrong",
    "channel_without_samples", "continuous_file_jumps", "first_onset_off", "format_contradiction",
    "header_form", "header_length_wrong", "header_not_ascii", "more_records_than_claimed",
    "never_closed", "onset_out_of_line", "onsets_drift", "onsets_run_backwards", "padding_at_end",
    "partial_last_record", "plain_file_with_times", "point_samples", "record_count_unreadable",
    "record_duration_doubtful", "record_duration_unreadable", "record_duration_unusual",
    "record_large", "record_start_unknown", "recording_date_unreadable", "records_missing",
    "reserved_unknown", "signal_count_wrong", "start_date_conflict", "start_date_unreadable",
    "start_time_unreadable", "subfields_missing", "surplus_records", "time_keeping_absent",
    "time_keeping_restored", "trailing_bytes", "version_wrong",
]  # fmt: skip

CODES: dict[EdfCode, Entry] = {
    "annotation_not_utf8": Entry(
        meaning="Annotation text with bytes that are not UTF-8",
        text="{records} annotation text that is not UTF-8: its bytes are shown as \\x and two "
        "digits.",
        action="Read the event in the recorder's own software where its words matter.",
    ),
    "annotation_only_file": Entry(
        "info",
        meaning="A file of annotations alone; it adds nothing to recorded time",
        text="The file holds annotations and no signals. It adds nothing to the recorded time.",
        observed="{stated}",
        action="Nothing to do.",
    ),
    "annotations_elsewhere": Entry(
        "info",
        meaning="Annotations whose time is outside the record that holds them",
        text="{elsewhere} of {annotations} {has} a time outside the record that holds the text. "
        "The stated time is taken; no duration changes.",
        observed="{onset} s in the record that starts at {start} s",
    ),
    "annotations_malformed": Entry(
        meaning="Annotation bytes that break the format's rules",
        text="{records} annotation bytes that break the format's rules. What can be read of them "
        "is kept, the rest is lost; an event may be missing.",
        expected="signed onset, texts ended by byte 20, lists ended by byte 0",
        observed="{kinds}",
        action="If an event is missing, look for it in the recorder's own software.",
    ),
    "blank_records_counted": Entry(
        meaning="Last records of one byte value that the header claims; counted",
        text="{blank} one byte value only (0 or 255) at the end, as memory that was never written. "
        "The header's count claims this part, and it is counted: {records} with it, {first} "
        "without.",
        action="Look at the end: where nothing was recorded, the recording is shorter by these "
        "records.",
    ),
    "blank_records_inside": Entry(
        "problem",
        meaning="Records inside the file that hold one byte value only: data lost",
        text="{records} nothing but zeros or bytes 255 inside the recording: the data are lost. "
        "The time is counted, since the records around leave the room for it.",
        action="Copy the file again; if the card is blank there too, take {lost} off the recorded "
        "time.",
    ),
    "bytes_unreadable": Entry(
        "problem",
        meaning="Part of the file could not be read from its disk or card",
        text="{unread} of {records} could not be read ({read_error}). That part is counted where "
        "the header claims it or later records are readable; its annotations are lost.",
        action="The disk or card may be failing: copy the file again from the recorder's card at "
        "once.",
    ),
    "channel_scale_wrong": Entry(
        meaning="Channel limits that hold no usable number, or that cannot be scaled by",
        text="{fields} limits that cannot be scaled by. Durations do not depend on it.",
        expected="plain numbers with a decimal point, the digital maximum above the minimum, "
        "within the range of the samples, and physical limits that differ",
        observed="{places}{more}",
        action="Do not trust the amplitudes of these channels.",
    ),
    "channel_without_samples": Entry(
        meaning="Channels of 0 samples per record",
        text="{fields} 0 samples per record: these channels hold no signal.",
        expected="at least 1 sample per record",
        observed="{places}{more}",
        action="Check which channels the recorder was set up to record.",
    ),
    "continuous_file_jumps": Entry(
        "problem",
        meaning="A file called uninterrupted whose records' own starts jump",
        text="The header calls this file uninterrupted, but its records' own starts jump {times}, "
        "together {total} s, at most {largest} s at once. The records' starts are taken: these are "
        "gaps. Other software shows the file without them.",
        action="Check against the recorder's log whether recording stopped there.",
    ),
    "first_onset_off": Entry(
        meaning="A first record that does not start within the header's first second",
        text="The first record states that it starts {late} s after the header's start; it should "
        "be less than one second. It is taken as stated: the file begins then.",
        expected="a first onset of at least 0 and less than 1 s",
        observed="{exact} s",
        action="Check the first record's time against the hook-up log: if the header's start is "
        "the start of this very file, the file lies too late by this time.",
    ),
    "format_contradiction": Entry(
        meaning="Version and reserved fields name different formats",
        text="The version field says {family}, the reserved field another format. The samples are "
        "read as {family} has them, {sample_bytes} bytes each.",
        expected="'{format}'",
        observed="{reserved}",
        action="If the number of records looks wrong, the file is of the other format.",
    ),
    "header_form": Entry(
        "info",
        meaning="Header fields written in another form than the format's",
        text="{fields} another form than the format wants. The meaning is taken all the same.",
        expected="text at the left, dd.mm.yy, hh.mm.ss, and 'EDF Annotations' in EDF+ or 'BDF "
        "Annotations' in BDF+ as the label of annotations",
        observed="{places}{more}",
    ),
    "header_length_wrong": Entry(
        meaning="The header's own length is stated wrongly",
        text="The header's own length is stated wrongly: with {signals} signals it takes {length} "
        "bytes. The data are read from byte {chosen} on{begins}",
        expected="{length}",
        observed="{stated}",
        action="Copy the file again from the recorder's card and compare.",
    ),
    "header_not_ascii": Entry(
        meaning="Header fields with bytes other than printable ASCII",
        text="{fields} bytes other than printable ASCII characters. The text is read as it stands.",
        expected="ASCII characters 32 to 126, padded with spaces",
        observed="{places}{more}",
        action="Check the texts that they hold; the durations do not depend on them.",
    ),
    "more_records_than_claimed": Entry(
        meaning="The file holds more records than its header claims; all count",
        text="The header claims {claimed}; the file holds {held}. All are counted; where the "
        "further ones state no start, only their place in the file shows that they are records.",
        expected="{claimed}",
        observed="{held}",
        action="Software that trusts the header shows only the first part of this file.",
    ),
    "never_closed": Entry(
        meaning="Never closed: the record count is still -1, as while recording",
        text="The header was never brought up to date: its record count is still -1, as while "
        "recording. The records were counted from the file's bytes: {held}.",
        expected="{held}",
        observed="-1",
        action="Nothing to do for the time; find out why the recorder did not close the file.",
    ),
    "onset_out_of_line": Entry(
        "problem",
        meaning="A record's stated start overlaps neighbours that follow each other",
        text="{records} a start that overlaps the records beside, while those follow each other "
        "without a hole. The place between the neighbours is taken instead, which makes {in_line} "
        "s recorded in this file; as stated, {as_stated} s would be.",
        expected="about {between} s",
        observed="{stated} s",
        action="The file is damaged there. Copy it again from the recorder's card.",
    ),
    "onsets_drift": Entry(
        meaning="Record starts that move away from the record duration little by little",
        text="The records' own starts move away from the record duration by {drift} s in all, less "
        "than {each} ms at each record. The starts are taken.",
        expected="steps of {step} s",
        observed="{exact} s over {small} steps",
        action="Nothing to do unless the total matters to you.",
    ),
    "onsets_run_backwards": Entry(
        "problem",
        meaning="Records that start before the one ahead of them has ended",
        text="{records} before the one ahead in the file has ended ({backwards} even before that "
        "one's start). Time that is stated twice is counted once.",
        observed="record {first} starts at {start} s, record {next} at {next_start} s; largest "
        "overlap {overlap} s",
        action="The clock was put back, or the file is damaged: do not rely on the times after it.",
    ),
    "padding_at_end": Entry(
        meaning="Blank records at the end that are not counted",
        text="{records} nothing but zeros or bytes 255 at the end, as memory that was never "
        "written. This is not counted as recorded time, whatever the header's count claims.",
        observed="{size} blank bytes",
        action="Nothing to do where the recorder reserves its files in advance; else copy the file "
        "again from the recorder's card.",
    ),
    "partial_last_record": Entry(
        meaning="Cut in its last record: less than one record at the end; not counted",
        text="After the last whole record the file holds {rest} of a further record of "
        "{record_bytes}. Less than one record of time is not counted.",
        observed="{rest} more",
        action="Compare the file's size with the one on the recorder's card.",
    ),
    "plain_file_with_times": Entry(
        "info",
        meaning="A file called plain whose records state their own starts",
        text="The header calls the file plain {format}; the starts that its records state are "
        "taken.",
    ),
    "point_samples": Entry(
        meaning="Records of single samples that last no time",
        text="Each record holds one sample of each signal and lasts no time by the header. The "
        "file adds nothing to the recorded time.",
        action="Nothing to do where the file is a list of single measurements.",
    ),
    "record_count_unreadable": Entry(
        meaning="The record count field holds no number of records",
        text="The header's record count is no number of records. The records were counted from the "
        "file's bytes: {held}.",
        expected="{held}",
        observed="{claimed}",
        action="Copy the file again from the recorder's card and compare.",
    ),
    "record_duration_doubtful": Entry(
        "problem",
        meaning="Record starts lie apart by another time than the header says",
        text="The header gives a record duration of {duration} s, but the records' own starts are "
        "{apart} s apart nearly everywhere. The header's duration is used: {count} records are "
        "{total} s; by the starts they would be {by_starts} s.",
        action="Samples per record divided by the recorder's sampling rate are the true duration.",
    ),
    "record_duration_unreadable": Entry(
        "problem",
        meaning="The record duration was taken from the records' starts",
        text="The header's record duration is no number of seconds above 0. The records' own "
        "starts are {record_ns} s apart as a rule; this is taken as the duration of a record.",
        expected="a number of seconds with a decimal point",
        observed="'{record_duration}'",
        action="The header is damaged: copy the file again from the recorder's card.",
        headline="record duration unreadable; {record_ns} s by the records' starts",
    ),
    "record_duration_unusual": Entry(
        "problem",
        meaning="A record duration of more than an hour that nothing confirms",
        text="The header gives a record duration of {duration} s, more than an hour, and nothing "
        "else in the file shows whether that is so. The recorded time follows from it: {count} "
        "records of that length.",
        action="Compare the recorded time with the recorder's log.",
    ),
    "record_large": Entry(
        "info",
        meaning="Data records larger than the format recommends",
        text="One data record takes {record_bytes} bytes, more than the format recommends.",
        expected="at most {RECOMMENDED_RECORD_BYTES} bytes",
        observed="{record_bytes} bytes",
    ),
    "record_start_unknown": Entry(
        "problem",
        meaning="Records whose start nothing in the file tells",
        text="{records} not state a start (in {places}), and the records around do not tell it. "
        "They count as recorded and are drawn right after the record before; when exactly the "
        "recording stood still beside them is not known.",
        observed="it starts at {earliest} s at the earliest and {latest}",
        action="Copy the file again from the recorder's card: the times of these gaps are "
        "uncertain.",
    ),
    "recording_date_unreadable": Entry(
        meaning="The recording field's start date is no date",
        text="The start date in the recording field is no date; the date field is taken instead.",
        expected="dd-MMM-yyyy with the English month in capitals",
        observed="{text}",
        action="Check the date against the hook-up log.",
    ),
    "records_missing": Entry(
        "problem",
        meaning="The file holds fewer whole records than its header claims",
        text="The header claims {claimed}; the file holds {held} whole. {missing} missing, not "
        "counted.",
        expected="{claimed}",
        observed="{held}",
        action="Copy the file again from the recorder's card: the missing part may still be there.",
    ),
    "reserved_unknown": Entry(
        meaning="The reserved field does not hold its format's mark",
        text="The reserved field begins like the mark of a known format but is none. The file is "
        "read as {format}; where its records state their own starts, these are taken.",
        expected="EDF+C, EDF+D, BDF+C, BDF+D, 24BIT or blank",
        observed="{reserved}",
        action="Find out whether the recording has interruptions.",
        forms={
            "plain_version": "The reserved field lacks the mark of BDF; the version field has it, "
            "and the file is read as BDF."
        },
    ),
    "signal_count_wrong": Entry(
        "problem",
        meaning="The number of signals was taken from the header's length field",
        text="The number of signals cannot be as its field says; the header's length field gives "
        "{signals}, and with it the header can be read.",
        expected="{signals}",
        observed="{stated}",
        action="The header is damaged: copy the file again from the recorder's card.",
    ),
    "start_date_conflict": Entry(
        meaning="Two start dates in one header; the recording field's is taken",
        text="The header gives two start dates: {stated} in the recording field and {short} in the "
        "date field. The recording field's date is taken.",
        expected="{stated}",
        observed="{short}",
        action="Check the date against the hook-up log: the file's place in the study rests on it.",
    ),
    "start_date_unreadable": Entry(
        meaning="The two-digit date field holds no date",
        text="The two-digit date field holds no date; only the recording field can give one.",
        expected="dd.mm.yy",
        observed="{stated}",
        action="Check the date against the hook-up log.",
    ),
    "start_time_unreadable": Entry(
        "problem",
        meaning="The start time is no time of day; midnight stands in",
        text="The header's start time is no time of day. The recording is placed at the midnight "
        "that begins its start date: the durations inside this file are right, its place in the "
        "study is wrong by up to 24 hours.",
        expected="hh.mm.ss, 00.00.00 to 23.59.59",
        observed="{stated}",
        action="Find out when the recording started and correct a copy of the file.",
        headline="start time unreadable: placed at midnight",
    ),
    "subfields_missing": Entry(
        "info",
        meaning="Patient or recording field without the EDF+ subfields",
        text="{fields} not the subfields that EDF+ and BDF+ want there. What they would say "
        "(patient code, start date) is taken from elsewhere or not known.",
        expected="patient: code, sex, birth date, name; recording: Startdate, date, code, "
        "technician, equipment; X for what is unknown",
        observed="{places}{more}",
    ),
    "surplus_records": Entry(
        meaning="Records beyond the header's count that state no time; not counted",
        text="{records} no start, after the last one with time-keeping and beyond the header's "
        "record count. This is not counted as recorded time.",
        observed="{size} bytes of another kind",
        action="Compare the file's size with the one on the recorder's card.",
    ),
    "time_keeping_absent": Entry(
        meaning="No record of an EDF+ or BDF+ file states its start",
        text="The header calls the file {format}, but no record states its start. The records are "
        "placed one right after another: gaps that the file may have inside cannot be seen.",
        action="Copy the file again from the recorder's card, and compare the recorded time with "
        "the recorder's log.",
    ),
    "time_keeping_restored": Entry(
        meaning="Records without a start whose neighbours leave exactly their room",
        text="{records} not state a start. The records around leave exactly the room for that, so "
        "that the place is known; no duration changes.",
        action="The file is damaged there; look at the signals.",
    ),
    "trailing_bytes": Entry(
        meaning="Bytes after the last record; not counted",
        text="{rest} after the last whole record; no time is counted there.",
        observed="{rest} more",
        action="Compare the file's size with the one on the recorder's card.",
    ),
    "version_wrong": Entry(
        "problem",
        meaning="A damaged version field; the format was told from the rest of the header",
        text="The file does not begin with the mark of EDF or BDF. It is read as {family}, as the "
        "rest of its header suggests.",
        expected="'0' and 7 spaces (EDF), or byte 255 and 'BIOSEMI' (BDF)",
        observed="{version}",
        action="The header is damaged: copy the file again from the recorder's card.",
    ),
}
