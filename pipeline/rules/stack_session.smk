# Bring the accepted lights of a session to the anchor's grid and scale, and sum them up.


rule stack_session:
    input:
        unpack(lambda wildcards: graph.masters_of(wildcards.session)),
        plan=out.session_plan("{session}"),
        registered=out.registered("{session}"),
        stars=out.stars("{session}"),
        anchor=out.anchor(),
        link=lambda wildcards: out.link(graph.filter_set_of(wildcards.session)),
    output:
        frames=out.frames("{session}"),
        stack=out.session_stack("{session}"),
        record=out.qa("stack_session", "{session}"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: wildcards.session,
        settings=graph.settings_for("stack_session"),
        code=graph.code_for("stack_session"),
    log:
        out.log("stack_session", "{session}"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "stack_session {wildcards.session}"
    conda:
        ENVIRONMENT
    script:
        "../scripts/stack_session.py"
