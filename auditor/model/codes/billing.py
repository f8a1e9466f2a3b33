"""Codes of findings on thresholds, monitoring checks and video."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

BillingCode = Literal[
    "asked_interpretation_lowers", "band_below_order", "checks_outside_recording", "close_to_limit",
    "interpretations_differ", "monitoring_lapse", "monitoring_level_lowered",
    "monitoring_not_documented", "monitoring_not_shown", "setup_channels_below_minimum",
    "signal_channels_below_setup_minimum", "usable_band_below_recorded", "video_below_share",
    "video_not_documented", "video_not_ordered", "video_or_monitoring_not_stated",
]  # fmt: skip

CODES: dict[BillingCode, Entry] = {
    "asked_interpretation_lowers": Entry(
        meaning="The policy asks for another interpretation of the rules, and it lowers a code",
        text="Lower codes follow if {named}. The policy asks for this interpretation.",
        observed="{codes}",
        action="Ask the coder which interpretation the payer uses.",
        question="billing",
        headline="lower codes if {named}",
    ),
    "band_below_order": Entry(
        meaning="The recorded time reaches a lower band or fewer units than the ordered time "
        "would have",
        text="{recorded} recorded reaches {reached}; the ordered {ordered} would give {wanted}: "
        "{margin}.",
        expected="{wanted}",
        observed="{reached}",
        action="Use the codes that the recorded time reaches, not those of the ordered time.",
    ),
    "checks_outside_recording": Entry(
        "info",
        meaning="Checks before the first record, after the last or in an interruption; they show "
        "no review and are not counted",
        text="{outside} before the first record, after the last or in an interruption. "
        "Nothing was being recorded then: no review, not counted.",
        expected="checks while the recording runs",
        observed="{count} outside",
        action="If many lie outside, compare the log's clock and dates with the recording's.",
    ),
    "close_to_limit": Entry(
        "info",
        meaning="The recorded time lies just below or just above a limit at which codes change",
        text="The recorded {recorded} lies {told}: there codes change.",
        expected="{limits}",
        observed="{recorded}",
        action="Look at the interruptions and at findings on times before a code rests on so "
        "little.",
    ),
    "interpretations_differ": Entry(
        "info",
        meaning="Another interpretation of the billing rules, which no source settles, gives other "
        "codes",
        text="No source settles it; other codes would follow if: {named}.",
        observed="{count} to a code",
        action="The codes given follow the policy; the others are listed for the coder.",
    ),
    "monitoring_lapse": Entry(
        meaning="More recorded time passed between documented checks than the level needs",
        text="{told}, in {periods}. {level} monitoring allows at most {limit} of recording without "
        "a check; the longest here is {longest}.{ends}",
        expected="at most {limit}",
        observed="{longest}",
        action="Look for checks that were made and not entered. If there were none, the level of "
        "the periods named is lower.",
        question="billing",
        headline="{told}",
    ),
    "monitoring_level_lowered": Entry(
        meaning="The log does not support the ordered level of monitoring throughout; the "
        "periods and codes are named",
        text="{ordered} monitoring was ordered and the log does not support it in {count} of "
        "{every}. {told}{rest}",
        expected="{ordered}",
        observed="{observed}",
        action="Ask the coder whether the period or the whole study is lowered.",
    ),
    "monitoring_not_documented": Entry(
        meaning="Monitoring was ordered and no check is documented",
        text="{ordered} monitoring was ordered, and no check is documented. Nothing is assumed "
        "from an empty log; the codes are those of the policy for this case.",
        forms={
            "outside": "{ordered} monitoring was ordered, and {outside} documented, but not while "
            "the recording ran: none shows a review. The codes are those of the policy for this "
            "case.",
        },
        expected="a documented check at least as often as the policy asks",
        observed="none inside the recording",
        action="Name the log of checks in the order, or compare its dates with the recording's.",
        question="billing",
        headline="no check inside the recording is documented for {level} monitoring",
    ),
    "monitoring_not_shown": Entry(
        meaning="The order asks for a level of monitoring that no list of checks can show",
        text="{ordered} monitoring was ordered. A list of checks cannot show it; this one supports "
        "{supported} throughout, and the codes are those.",
        expected="{ordered}",
        observed="{supported}",
        action="Let the coder see how the watching is documented.",
        question="billing",
        headline="{level} monitoring cannot be shown by a list of checks; {supported} is",
    ),
    "setup_channels_below_minimum": Entry(
        meaning="Fewer channels carry EEG than the set-up code needs",
        text="{note}",
        expected="at least {needed}",
        observed="{count}",
        action="Look at the channel list: a label that is no standard electrode name is not "
        "counted as EEG.",
        question="billing",
        headline="{count} of {needed} needed set-up channels",
    ),
    "signal_channels_below_setup_minimum": Entry(
        meaning="Enough channels carry EEG, but fewer ever had a signal than the set-up code needs",
        text="{recorded} recorded, but only {count} ever had a signal; {setup} needs {needed}. The "
        "set-up code given follows the channels that were recorded.",
        expected="at least {needed}",
        observed="{count}",
        action="Ask the coder whether the set-up code stands.",
        question="billing",
        headline="{count} of {needed} needed set-up channels had a signal",
    ),
    "usable_band_below_recorded": Entry(
        "info",
        meaning="Codes rest partly on time that nobody could read",
        text="By recorded time ({recorded}) the codes are {codes}; by usable time ({usable}) they "
        "would be {usable_codes}. The codes rest partly on hours with too few channels to read.",
        expected="{codes}",
        observed="{usable_codes}",
    ),
    "video_below_share": Entry(
        meaning="Video covers less of the recorded time of the study, or of one of its periods, "
        "than the codes with video need",
        text="{told}. Over the study: {note} The codes are those without video.",
        forms={
            "period": "{told}. Over the study: {note} The policy takes the share over the study, "
            "so its codes are those with video.",
            "by_period": "{told}. Over the study: {note} The policy takes the share period by "
            "period, so these periods have codes without video.",
        },
        expected="{share} %",
        observed="{observed}",
        action="Look whether the video log is complete.",
        question="billing",
        headline="{told}",
    ),
    "video_not_documented": Entry(
        meaning="Video was ordered and no video log was given",
        text="Video was ordered, and no video log was given: how much of the recording had video "
        "is not documented. The codes are those of the policy for this case.",
        expected="a video log",
        observed="none",
        action="Name the video log in the order.",
        question="billing",
        headline="video was ordered and no log of it was given",
    ),
    "video_not_ordered": Entry(
        "info",
        meaning="A video log was given although no video was ordered",
        text="No video was ordered, but a video log was given: {note} The codes are those without "
        "video.",
        action="If video was ordered after all, correct the order.",
    ),
    "video_or_monitoring_not_stated": Entry(
        "info",
        meaning="The order does not say whether video or monitoring was ordered; codes are those "
        "without video, or unmonitored",
        text="The order says nothing of video and of monitoring: the codes are those without video "
        "and unmonitored.",
        forms={
            "video": "The order says nothing of video: the codes are those without video.",
            "monitoring": "The order says nothing of monitoring: the codes are the unmonitored "
            "ones.",
            "no_order": "There is no order: the codes are those without video and unmonitored.",
        },
        expected="video and monitoring in the order",
        observed="nothing",
    ),
}
