# Say what happened, what is good, what is wrong, and what to do next.


rule report:
    input:
        inventory=out.inventory(),
        anchor=out.anchor(),
        frames=[out.frames(name) for name in graph.sessions],
        diagnoses=[out.qa("diagnose", name) for name in graph.sessions],
        stacks=[out.stack(name) for name in graph.filter_sets],
        flats=[out.flat(name) for name in graph.filter_sets],
        continuum=out.continuum(),
        lines=[out.line(name) for name in graph.lines],
        fused=out.fused(),
        preview=out.preview(),
        comparison=out.comparison(),
    output:
        page=out.report(),
        summary=out.summary(),
        record=out.qa("report", "report"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: "report",
        settings=graph.settings_for("report"),
        options=dict(sessions=list(graph.sessions), filter_sets=graph.filter_sets),
        code=graph.code_for("report"),
    log:
        out.log("report", "report"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "report"
    conda:
        ENVIRONMENT
    script:
        "../scripts/report.py"
