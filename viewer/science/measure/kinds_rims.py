"""Kinds that measure overgrowths."""

from __future__ import annotations

from viewer.science.measure.kind import Kind

RIMS = (
    Kind(
        name="rims",
        title="Rims",
        question="How thick are the overgrowths, and are they thicker on one side?",
        method="Rim crossed by rays along the outward normals of every host, in classes of direction "
        "relative to way-up; up against down paired by host and by opposite stretches of its outline "
        "(median difference, bootstrap interval, Wilcoxon signed-rank), and the first harmonic of "
        "thickness over direction within hosts. What is open, shared with a neighbour or cut is left "
        "out.",
        sources=(
            "Wilcoxon 1945, Individual comparisons by ranking methods, doi:10.2307/3001968",
            "Efron 1979, Bootstrap methods: another look at the jackknife, "
            "doi:10.1214/aos/1176344552 (interval of the median)",
            "Efron 1982, The jackknife, the bootstrap and other resampling plans, "
            "doi:10.1137/1.9781611970319, chapter 3 (interval of the harmonic; from memory)",
            "Bell and McCaffrey 2002, Bias reduction in standard errors for linear regression with "
            "multi-stage samples, Survey Methodology 28, 169-181 (hosts as clusters; from memory)",
            "Gudbjartsson and Patz 1995, The Rician distribution of noisy MRI data, "
            "doi:10.1002/mrm.1910340618 (what noise adds to the size of a harmonic)",
            "Amanatides and Woo 1987, A fast voxel traversal algorithm for ray tracing, "
            "doi:10.2312/egtp.19871000 (rays through pixels)",
        ),
        caution="On a face rims are apparent: where the cut grazes a host its rim looks thicker. "
        "That holds on every side alike, so that differences between sides are surer than the "
        "thickness. Thick rims meet their neighbours more often and are then left out, and a rim that "
        "met another mineral counts with what it reached: thick sides may be thicker than "
        "measured. A rim thinner than a pixel cannot be told from none. Intervals are about the hosts; "
        "they do not cover how pixels were sorted: a threshold between host and rim that lies off "
        "makes every rim too thick or too thin, by a part of a pixel as a rule.",
        inputs=("host phase", "rim phase"),
        unit="µm",
        drawn=False,
        figure="rose of mean rim thickness; up minus down, host by host; thickness by direction; what "
        "outlines face",
    ),
)
