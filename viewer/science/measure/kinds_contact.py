"""Kinds that are measured along one contact."""

from __future__ import annotations

from viewer.science.measure.kind import Kind

CONTACTS = (
    Kind(
        name="contact",
        title="Contact",
        question="How long is this contact, which way does it run and how crooked is it?",
        method="Length walked with dividers of a stated step, tortuosity (length over the straight "
        "distance between its ends) and mean direction, weighted by length; the length at other steps "
        "beside it.",
        sources=(
            "Mandelbrot 1967, How long is the coast of Britain?, doi:10.1126/science.156.3775.636 "
            "(length by divider step)",
        ),
        caution="The length of a rough line grows with the detail that is followed; compare only "
        "contacts traced alike and at one step.",
        inputs=("contact",),
        unit="µm",
        drawn=False,
        figure="offset of the contact from its straight line; length against step",
    ),
    Kind(
        name="sharpness",
        title="Sharpness of a contact",
        question="Over what distance does this channel change across the contact?",
        method="Values are averaged along the straightened contact at each distance along its own "
        "normal and fitted with an error function between two levels; the 10-90 % width is 2.563 "
        "sigma. The pixel's breadth, and on request the beam's, are taken off in variance.",
        sources=(
            "ISO 18516:2019, Surface chemical analysis: determination of lateral resolution and "
            "sharpness (straight edge; from memory)",
            "ISO/TR 19319:2013, Surface chemical analysis: fundamental approaches to determination of "
            "lateral resolution (edge spread function; from memory)",
            "Liang and Zeger 1986, Longitudinal data analysis using generalized linear models, "
            "doi:10.1093/biomet/73.1.13 (interval from the scores of lengths of contact)",
        ),
        caution="The width is that of rock, beam and tracing together; only the beam's part can be "
        "taken off, and only where its size is stated. Across a contact cut obliquely it is wider "
        "than in the rock.",
        inputs=("contact", "channel or derived layer"),
        unit="µm",
        drawn=False,
        figure="profile across the contact with its fit; width along the contact; the straightened "
        "contact",
    ),
    Kind(
        name="gradient",
        title="Gradient of a phase across a contact",
        question="Over what distance does this mineral come or go?",
        method="Share of a phase at each distance along the contact's normal, fitted with an error "
        "function between two shares; widths in µm and in count of the phase's grains.",
        sources=(
            "Liang and Zeger 1986, Longitudinal data analysis using generalized linear models, "
            "doi:10.1093/biomet/73.1.13 (interval from the scores of lengths of contact)",
            "Saltykov 1958, Stereometric metallography (mean chord from edges crossed; from memory)",
        ),
        caution="A contact sharper than a grain cannot be told from a sharp one: the width is then "
        "that of the grains.",
        inputs=("contact", "phase"),
        unit="µm",
        drawn=False,
        figure="share of the phase across the contact with its fit",
    ),
    Kind(
        name="undulation",
        title="Undulation of a contact",
        question="How far does this contact wave, and at what wavelengths?",
        method="Offset from the straight line of least squares against distance along it: RMS, peak to "
        "trough, and a floating-mean Lomb-Scargle periodogram, generalised for a background whose "
        "neighbours know of each other; false-alarm probabilities are simulated from such backgrounds.",
        sources=(
            "Lomb 1976, Least-squares frequency analysis of unequally spaced data, "
            "doi:10.1007/BF00648343",
            "Scargle 1982, Studies in astronomical time series analysis II, doi:10.1086/160554",
            "Zechmeister and Kürster 2009, The generalised Lomb-Scargle periodogram, "
            "doi:10.1051/0004-6361:200811296 (floating mean)",
        ),
        caution="A wavelength longer than half the contact's length is hardly more than one wave: its "
        "significance is not that of a repeating pattern. A single hollow shows as several weak "
        "waves; intervals are for waves that repeat evenly.",
        inputs=("contact",),
        unit="µm",
        drawn=False,
        figure="offset along the contact; periodogram",
    ),
)
