# Say what each session tells of optics, focus and flats; only a record comes of it.


rule diagnose:
    input:
        unpack(lambda wildcards: graph.masters_of(wildcards.session)),
        plan=out.session_plan("{session}"),
        measured=out.measured("{session}"),
        stars=out.stars("{session}"),
    output:
        record=out.qa("diagnose", "{session}"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: wildcards.session,
        settings=graph.settings_for("diagnose"),
        code=graph.code_for("diagnose"),
    log:
        out.log("diagnose", "{session}"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "diagnose {wildcards.session}"
    conda:
        ENVIRONMENT
    script:
        "../scripts/diagnose.py"
