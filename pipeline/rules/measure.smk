# Find and measure the stars, sky and faults of each light of a session.


rule measure:
    input:
        unpack(lambda wildcards: graph.masters_of(wildcards.session)),
        plan=out.session_plan("{session}"),
    output:
        measured=out.measured("{session}"),
        stars=out.stars("{session}"),
        record=out.qa("measure", "{session}"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: wildcards.session,
        settings=graph.settings_for("measure"),
        code=graph.code_for("measure"),
    log:
        out.log("measure", "{session}"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "measure {wildcards.session}"
    conda:
        ENVIRONMENT
    script:
        "../scripts/measure.py"
