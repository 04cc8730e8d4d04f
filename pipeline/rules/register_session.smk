# Find the pose of every light of a session relative to the anchor.


rule register_session:
    input:
        measured=out.measured("{session}"),
        stars=out.stars("{session}"),
        link=lambda wildcards: out.link(graph.filter_set_of(wildcards.session)),
    output:
        registered=out.registered("{session}"),
        record=out.qa("register_session", "{session}"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: wildcards.session,
        settings=graph.settings_for("register_session"),
        code=graph.code_for("register_session"),
    log:
        out.log("register_session", "{session}"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "register_session {wildcards.session}"
    conda:
        ENVIRONMENT
    script:
        "../scripts/register_session.py"
