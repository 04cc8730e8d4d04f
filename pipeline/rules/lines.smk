# Separate emission lines from the continuum.


rule lines:
    input:
        flats=[out.flat(name) for name in graph.filter_sets],
        stars=[out.stack_stars(name) for name in graph.filter_sets],
        curves=graph.curves(),
    output:
        continuum=out.continuum(),
        lines=[out.line(name) for name in graph.lines],
        record=out.qa("lines", "lines"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: "lines",
        settings=graph.settings_for("lines"),
        options=dict(filter_sets=graph.filter_sets),
        code=graph.code_for("lines"),
    log:
        out.log("lines", "lines"),
    threads: 2
    resources:
        mem_mb=MEMORY_MB,
    message:
        "lines"
    conda:
        ENVIRONMENT
    script:
        "../scripts/lines.py"
