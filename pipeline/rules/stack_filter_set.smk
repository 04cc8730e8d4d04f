# Merge the partial sums of a filter set's sessions.


rule stack_filter_set:
    input:
        stacks=lambda wildcards: [out.session_stack(name) for name in graph.sessions_of(wildcards.filter_set)],
    output:
        stack=out.stack("{filter_set}"),
        record=out.qa("stack_filter_set", "{filter_set}"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: wildcards.filter_set,
        settings=graph.settings_for("stack_filter_set"),
        options=lambda wildcards: dict(sessions=graph.sessions_of(wildcards.filter_set)),
        code=graph.code_for("stack_filter_set"),
    log:
        out.log("stack_filter_set", "{filter_set}"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "stack_filter_set {wildcards.filter_set}"
    conda:
        ENVIRONMENT
    script:
        "../scripts/stack_filter_set.py"
