# Put the lines' light on top of the continuum.


rule fuse:
    input:
        flats=[out.flat(name) for name in graph.filter_sets],
        stars=[out.stack_stars(name) for name in graph.filter_sets],
        continuum=out.continuum(),
        lines=[out.line(name) for name in graph.lines],
    output:
        fused=out.fused(),
        record=out.qa("fuse", "fused"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: "fused",
        settings=graph.settings_for("fuse"),
        options=dict(filter_sets=graph.filter_sets),
        code=graph.code_for("fuse"),
    log:
        out.log("fuse", "fused"),
    threads: 2
    resources:
        mem_mb=MEMORY_MB,
    message:
        "fuse"
    conda:
        ENVIRONMENT
    script:
        "../scripts/fuse.py"
