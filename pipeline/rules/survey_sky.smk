# Reduce a filter set's stack to cells that are free of the stars of all sets.


rule survey_sky:
    input:
        stack=out.stack("{filter_set}"),
        stars=[out.stack_stars(name) for name in graph.filter_sets],
    output:
        sky=out.sky("{filter_set}"),
        record=out.qa("survey_sky", "{filter_set}"),
    params:
        output_folder=lambda wildcards: str(out.root),
        unit=lambda wildcards: wildcards.filter_set,
        settings=graph.settings_for("survey_sky"),
        options=dict(filter_sets=graph.filter_sets),
        code=graph.code_for("survey_sky"),
    log:
        out.log("survey_sky", "{filter_set}"),
    threads: 1
    resources:
        mem_mb=MEMORY_MB,
    message:
        "survey_sky {wildcards.filter_set}"
    conda:
        ENVIRONMENT
    script:
        "../scripts/survey_sky.py"
