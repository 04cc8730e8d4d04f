# Model and subtract the sky of a filter set's stack.


rule flatten:
    input:
        stack=out.stack("{filter_set}"),
        skies=[out.sky(name) for name in graph.filter_sets],
    output:
        flat=out.flat("{filter_set}"),
        record=out.qa("flatten", "{filter_set}"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: wildcards.filter_set,
        settings=graph.settings_for("flatten"),
        options=dict(filter_sets=graph.filter_sets),
        code=graph.code_for("flatten"),
    log:
        out.log("flatten", "{filter_set}"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "flatten {wildcards.filter_set}"
    conda:
        ENVIRONMENT
    script:
        "../scripts/flatten.py"
